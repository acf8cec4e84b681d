"""Only real raster pictures come in, upright and with nothing hidden in them."""

import io
import re
import struct
import zlib
from pathlib import Path

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import Image

from buildlog.models import Photo
from buildlog.photos.pictures import LONGEST_SIDE_PX, store_photo


def upload(content, name="x.jpg"):
    return SimpleUploadedFile(name, content, "image/jpeg")


def jpeg(size=(60, 40), exif=None, form="JPEG"):
    buffer = io.BytesIO()
    Image.new("RGB", size, (10, 120, 200)).save(buffer, form, **({"exif": exif} if exif else {}))
    return buffer.getvalue()


def huge_png_header():
    """A PNG that declares 60,000 × 60,000 pixels and holds almost nothing."""

    def chunk(kind, data):
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", 60000, 60000, 8, 2, 0, 0, 0)
    body = chunk(b"IDAT", zlib.compress(b"\0"))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + body + chunk(b"IEND", b"")


HOSTILE = {
    "empty": b"",
    "text": b"this is not a picture",
    "page": b"<!doctype html><script>alert(1)</script>",
    "svg": b'<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>',
    "cut off": jpeg((600, 400))[:400],
    "gif": jpeg(form="GIF"),
    "tiff": jpeg(form="TIFF"),
    "bomb": huge_png_header(),
    "zeros": b"\xff\xd8\xff" + b"\0" * 1000,
    "pdf": b"%PDF-1.4\n1 0 obj",
}


@pytest.mark.parametrize("name", HOSTILE)
def test_what_is_not_a_picture_is_refused_with_a_sentence(sign_in, session, name):
    answer = sign_in("recorder").post(
        f"/photos/new/session/{session.pk}/", {"image": upload(HOSTILE[name]), "caption": "Keep my words"}
    )
    assert answer.status_code == 422
    assert answer.context["form"].errors["image"]
    assert "Keep my words" in answer.content.decode()
    assert not Photo.objects.exists()


def test_too_many_bytes_are_refused(sign_in, session, monkeypatch):
    monkeypatch.setattr("buildlog.photos.pictures.LARGEST_BYTES", 100)
    answer = sign_in("recorder").post(f"/photos/new/session/{session.pk}/", {"image": upload(jpeg((600, 400)))})
    assert answer.status_code == 422
    assert "Send a smaller one" in str(answer.context["form"].errors["image"])


def test_place_and_camera_are_gone_and_the_picture_is_upright(session):
    exif = Image.Exif()
    exif[0x0112] = 6  # rotate a quarter turn: EXIF 2.32, tag Orientation
    exif[0x010F] = "Camera maker"
    exif.get_ifd(0x8825)[1] = "N"
    exif.get_ifd(0x8825)[2] = (61.0, 2.0, 3.0)
    photo = store_photo(upload(jpeg((80, 40), exif)), session=session)
    with Image.open(photo.image.path) as stored:
        assert stored.size == (40, 80)
        assert not dict(stored.getexif())
        assert "exif" not in stored.info
        assert "comment" not in stored.info
    assert b"Camera maker" not in photo.image.open("rb").read()


def test_large_pictures_are_made_smaller(session):
    photo = store_photo(upload(jpeg((5000, 2500))), session=session)
    assert (photo.width_px, photo.height_px) == (LONGEST_SIDE_PX, LONGEST_SIDE_PX // 2)
    with Image.open(photo.thumbnail.path) as small:
        assert max(small.size) == 480


def test_the_uploaded_name_is_never_used(session):
    photo = store_photo(upload(jpeg(), "../../etc/passwd.php"), session=session)
    assert re.fullmatch(rf"photos/{photo.pk}-[0-9a-f]{{12}}\.jpg", photo.image.name)


def test_it_is_served_as_a_picture_only(sign_in, session):
    photo = store_photo(upload(jpeg()), session=session)
    answer = sign_in("reader").get(f"/photos/{photo.pk}/image/")
    assert answer["Content-Type"] == "image/jpeg"
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert "private" in answer["Cache-Control"]


@pytest.mark.django_db(transaction=True)
def test_files_go_when_what_they_show_goes(session):
    photo = store_photo(upload(jpeg()), session=session)
    path = Path(photo.image.path)
    assert path.exists()
    session.delete()
    assert not Photo.objects.exists()
    assert not path.exists()


def test_a_lost_file_is_not_found(sign_in, session):
    photo = store_photo(upload(jpeg()), session=session)
    photo.image.storage.delete(photo.image.name)
    assert sign_in("reader").get(f"/photos/{photo.pk}/image/").status_code == 404
