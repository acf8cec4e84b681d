"""Photos and logs in a bucket: every way in and out that the product has, against a server of the S3 protocol."""

import hashlib
import io
import json
import uuid
import zipfile
from pathlib import Path

import numpy as np
import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import CommandError, call_command
from django.db import IntegrityError
from PIL import Image

from buildlog.models import Photo, Removal
from buildlog.photos.pictures import give_files, read_picture, store_photo
from buildlog.storage.slices import _Ranges
from buildlog.storage.stored_files import stored_together
from sessions.models import Log
from sessions.sharing import archive
from tests.logs.test_logger_files import post_columns
from tests.logs.whole_logs import whole_columns

SAMPLE = Path(__file__).resolve().parents[1] / "reference/data/sample.gpx"
CSV = b"Time,Volts,Amps\n" + b"".join(b"%d,%d.5,%d.25\n" % (n, 50 - n % 3, n % 40) for n in range(500))


def body(answer):
    return b"".join(answer.streaming_content)


def test_a_photo_goes_in_is_served_and_goes_with_its_session(
    sign_in, session, picture_file, files_in_object_store, django_capture_on_commit_callbacks
):
    client = sign_in("builder")
    sent = client.post(f"/photos/new/session/{session.pk}/", {"image": picture_file, "caption": "Chain"})
    assert sent.status_code == 302
    photo = Photo.objects.get()
    # Asked of the store itself, not of the product.
    assert sorted(files_in_object_store.names()) == sorted([photo.image.name, photo.thumbnail.name])
    for place in ("image", "thumbnail"):
        answer = client.get(f"/photos/{photo.pk}/{place}/")
        assert answer["Content-Type"] == "image/jpeg"
        content = body(answer)
        assert int(answer["Content-Length"]) == len(content)
        assert Image.open(io.BytesIO(content)).size == (60, 40)
    with django_capture_on_commit_callbacks(execute=True):
        assert client.post(f"/photos/{photo.pk}/remove/").status_code == 302
    assert client.get(f"/photos/{photo.pk}/image/").status_code == 404
    assert len(files_in_object_store.names()) == 2, "it can be restored"
    with django_capture_on_commit_callbacks(execute=True):
        assert client.post(f"/trash/{Removal.objects.get().pk}/empty/").status_code == 302
    assert files_in_object_store.names() == []


def test_a_photo_that_is_put_twice_is_one_record_and_two_files(sign_in, session, picture_file, files_in_object_store):
    from django.test.client import BOUNDARY, MULTIPART_CONTENT, encode_multipart

    client, path = sign_in("recorder"), f"/api/v1/photos/{uuid.uuid4()}/"
    answers = []
    for _ in range(2):
        picture_file.seek(0)
        data = encode_multipart(BOUNDARY, {"image": picture_file, "session": str(session.pk)})
        answers.append(client.put(path, data, content_type=MULTIPART_CONTENT).status_code)
    assert answers == [201, 200]
    assert (Photo.objects.count(), len(files_in_object_store.names())) == (1, 2)


def test_who_comes_second_takes_its_own_file_away_and_not_the_first_ones(session, picture_file, files_in_object_store):
    """The same photo on two hosts at one moment: the second is refused by the database after it stored its file."""
    first = store_photo(picture_file, session=session)
    again = Photo(pk=first.pk, session=session, width_px=60, height_px=40)
    picture_file.seek(0)

    def store_it_too():
        with stored_together() as put:
            give_files(again, read_picture(picture_file), put)
            again.save(force_insert=True)

    with pytest.raises(IntegrityError):
        store_it_too()
    assert sorted(files_in_object_store.names()) == sorted([first.image.name, first.thumbnail.name])


def test_a_track_is_kept_byte_for_byte_and_read_from_there(sign_in, session, files_in_object_store):
    client = sign_in("builder")
    track = SimpleUploadedFile("ride.gpx", SAMPLE.read_bytes())
    assert client.post(f"/sessions/{session.pk}/new-log/", {"file": track}).status_code == 302
    log = Log.objects.get()
    held = files_in_object_store.client().get_object(Bucket=files_in_object_store.bucket, Key=log.original.name)
    assert held["Body"].read() == SAMPLE.read_bytes()
    assert client.get(log.get_absolute_url()).status_code == 200
    answer = client.get(f"/sessions/logs/{log.pk}/original/")
    assert hashlib.sha256(body(answer)).hexdigest() == log.sha256


def test_a_loggers_file_is_read_again_and_leaves_no_columns_behind(
    sign_in, session, files_in_object_store, django_capture_on_commit_callbacks
):
    client = sign_in("builder")
    client.post(f"/sessions/{session.pk}/new-log/", {"file": SimpleUploadedFile("ride.csv", CSV)})
    for _ in range(2):
        with django_capture_on_commit_callbacks(execute=True):
            assert post_columns(client, Log.objects.get()).status_code == 302
    log = Log.objects.get()
    assert log.row_count == 500
    np.testing.assert_array_equal(whole_columns(log)["current_a"], [n % 40 + 0.25 for n in range(500)])
    assert sorted(files_in_object_store.names()) == sorted([log.original.name, log.columns.name])


def test_a_machine_goes_out_and_comes_in_again(vehicle, session, picture_file, sign_in, files_in_object_store):
    client = sign_in("builder")
    photo = store_photo(picture_file, session=session)
    track = SimpleUploadedFile("ride.gpx", SAMPLE.read_bytes())
    assert client.post(f"/sessions/{session.pk}/new-log/", {"file": track}).status_code == 302
    log = Log.objects.get()
    answer = client.get(f"/vehicles/{vehicle.pk}/archive.zip")
    packed = io.BytesIO(body(answer) if answer.streaming else answer.content)
    with zipfile.ZipFile(packed) as held:
        assert held.read(f"logs/{log.pk}.gpx") == SAMPLE.read_bytes()
        assert len(json.loads(held.read("records.json"))["photo"]) == 1
    Log.objects.all().delete()
    Photo.objects.all().delete()
    packed.seek(0)
    done = archive.import_machine(packed, packed.getbuffer().nbytes)
    assert done.notes == []
    assert Photo.objects.get().pk == photo.pk
    assert body(client.get(f"/sessions/logs/{log.pk}/original/")) == SAMPLE.read_bytes()


def test_a_store_that_does_not_answer_is_said_and_nothing_half_is_stored(
    sign_in, session, picture_file, settings, object_store
):
    settings.STORAGES = {**settings.STORAGES, "default": object_store.storage(endpoint="http://127.0.0.1:9")}
    client = sign_in("builder")
    client.raise_request_exception = False
    answer = client.post(f"/photos/new/session/{session.pk}/", {"image": picture_file})
    assert (answer.status_code, answer["Retry-After"]) == (503, "30")
    assert "does not answer" in answer.content.decode()
    assert not Photo.objects.exists()
    Photo.objects.create(session=session, image="photos/a.jpg", thumbnail="photos/b.jpg", width_px=1, height_px=1)
    path = f"/photos/{Photo.objects.get().pk}/image/"
    assert client.get(path).status_code == 503
    # Removing works all the same; the file stays behind, and is only room.
    assert client.post(path.replace("image", "remove")).status_code == 302
    assert not Photo.objects.exists()


def test_files_are_carried_into_the_bucket_and_out_again(
    session, picture_file, tmp_path, settings, object_store, capsys
):
    photo = store_photo(picture_file, session=session)
    lost = store_photo(SimpleUploadedFile("b.jpg", photo.image.open().read()), session=session)
    before = {name: default_storage.open(name).read() for name in (photo.image.name, photo.thumbnail.name)}
    folder = Path(settings.MEDIA_ROOT)
    settings.STORAGES = {**settings.STORAGES, "default": object_store.storage()}
    Path(folder, lost.image.name).unlink()
    with pytest.raises(CommandError, match=f"1 files that records name were not found.*{lost.image.name}"):
        call_command("copy_files", source=str(folder))
    assert "3 files copied, 0 were there already" in capsys.readouterr().out
    lost.delete()
    call_command("copy_files", source=str(folder))
    assert "0 files copied, 2 were there already" in capsys.readouterr().out
    call_command("copy_files", target=str(tmp_path / "out"))
    assert {name: (tmp_path / "out" / name).read_bytes() for name in before} == before
    # Another file under a record's name is said, never taken for the right one.
    (folder / photo.image.name).write_bytes(b"something else")
    with pytest.raises(CommandError, match="does not read back"):
        call_command("copy_files", source=str(folder))


def test_of_a_log_in_the_store_a_chart_fetches_the_stretch_it_shows(session, sign_in, files_in_object_store):
    from sessions.logs.columns import GROUP_ROWS
    from tests.logs.test_columns import ride
    from tests.logs.whole_logs import packed

    content = packed(ride(6 * GROUP_ROWS)).getvalue()
    log = Log(session=session, kind="csv", state="read", row_count=9, size_bytes=9, sha256="0" * 64, name="a")
    log.columns.save("", ContentFile(content), save=False)
    log.save()
    np.testing.assert_array_equal(whole_columns(log)["current_a"], ride(6 * GROUP_ROWS)["current_a"])
    fetched = []
    read = _Ranges.readinto

    def counted(self, buffer):
        size = read(self, buffer)
        fetched.append(size)
        return size

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(_Ranges, "readinto", counted)
        answer = sign_in("reader").get(f"/sessions/{session.pk}/recordings/window/", {"from_s": "1000", "to_s": "1001"})
    assert answer.status_code == 200
    assert 0 < sum(fetched) < len(content) / 3
    log.columns.storage.delete(log.columns.name)
    assert sign_in("owner").get(f"/sessions/{session.pk}/recordings/").status_code == 200
