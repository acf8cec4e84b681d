"""Hostile files at every place that takes files: a sentence, never a 5xx, nothing stored, nothing run.

What is taken in spite of something strange about it is served back as a picture made anew, or as an
attachment.
"""

import io
import re
import uuid
from pathlib import Path

import pytest
from PIL import Image

from buildlog.hosting import request_size
from buildlog.models import Account, Photo, Vehicle
from sessions.models import Log, Session, Venue
from tests import hostile_uploads as hostile

PARTS = re.compile(rb"<script|DROP TABLE|PK\x03\x04|</html>|onerror", re.I)


def multipart(field, sent, **fields):
    """A form as raw bytes, so that no library tidies the file's name or type on the way."""
    out = b""
    for name, value in fields.items():
        out += f'--edge\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'.encode()
    head = f'--edge\r\nContent-Disposition: form-data; name="{field}"; filename="{sent.name}"\r\n'
    out += head.encode() + f"Content-Type: {sent.content_type}\r\n\r\n".encode() + sent.content + b"\r\n--edge--\r\n"
    return {"data": out, "content_type": "multipart/form-data; boundary=edge"}


@pytest.fixture
def nothing_stored(settings, session, tmp_path):
    """No file and no record may be there afterwards that was not there before."""
    there = [Vehicle.objects.count(), Session.objects.count(), Venue.objects.count()]
    yield
    assert not Photo.objects.exists()
    assert not Log.objects.exists()
    assert [Vehicle.objects.count(), Session.objects.count(), Venue.objects.count()] == there
    assert [path for path in Path(settings.MEDIA_ROOT).rglob("*") if path.is_file()] == []


def is_a_sentence(texts, field=""):
    assert texts
    for text in texts:
        assert re.fullmatch(rf"{field}[A-ZÀ-Þ].{{15,400}}", text, re.S), text
        assert "Traceback" not in text
        assert "/tmp" not in text


@pytest.mark.parametrize("name", hostile.PICTURES)
def test_a_photo_by_the_page(name, sign_in, session, nothing_stored):
    path = f"/photos/new/session/{session.pk}/"
    sent = hostile.PICTURES[name]()
    answer = sign_in("recorder").post(path, **multipart("image", sent, caption="Keep my words"))
    assert answer.status_code == 422
    is_a_sentence(answer.context["form"].errors["image"])
    assert "Keep my words" in answer.content.decode()
    assert hostile.SCRIPT not in answer.content


@pytest.mark.parametrize("name", hostile.PICTURES)
def test_a_photo_by_the_api(name, sign_in, session, nothing_stored):
    body = multipart("image", hostile.PICTURES[name](), session=session.pk)
    answer = sign_in("recorder").put(f"/api/v1/photos/{uuid.uuid4()}/", **body)
    assert answer.status_code == 400
    is_a_sentence(answer.json()["image"])


@pytest.mark.parametrize("name", hostile.PICTURES)
def test_a_photo_in_a_phones_file(name, sign_in, session, nothing_stored):
    sent = hostile.Sent(hostile.phone_photo(hostile.PICTURES[name]().content, session=str(session.pk)), "x.json")
    answer = sign_in("recorder").post("/field/read-in/", **multipart("file", sent))
    assert answer.status_code == 200
    [row] = answer.context["rows"]
    assert row.outcome == "refused"
    is_a_sentence([row.sentence])


@pytest.mark.parametrize("name", hostile.PICTURES)
def test_a_photo_in_an_archive(name, sign_in, settings):
    """The machine is read in, and the photo is left out and named; no path in the file is followed."""
    sent = hostile.Sent(hostile.machine(hostile.PICTURES[name]().content), "x.zip")
    answer = sign_in("builder").post("/vehicles/read-archive/", follow=True, **multipart("file", sent))
    assert answer.status_code == 200
    assert "left out" in answer.content.decode()
    assert Vehicle.objects.get().name == "Sled"
    assert not Photo.objects.exists()
    assert [path for path in Path(settings.MEDIA_ROOT).rglob("*") if path.is_file()] == []


@pytest.mark.parametrize("name", hostile.TAKEN_AND_CLEANED)
@pytest.mark.parametrize("place", ["page", "api", "phone", "archive"])
def test_a_picture_with_something_about_it_is_made_anew(place, name, sign_in, session, settings):
    sent, client = hostile.TAKEN_AND_CLEANED[name](), sign_in("builder")
    if place == "page":
        answer = client.post(f"/photos/new/session/{session.pk}/", **multipart("image", sent))
        assert answer.status_code == 302
    elif place == "api":
        answer = client.put(f"/api/v1/photos/{uuid.uuid4()}/", **multipart("image", sent, session=session.pk))
        assert answer.status_code == 201
    elif place == "phone":
        file = hostile.Sent(hostile.phone_photo(sent.content, session=str(session.pk)), "x.json")
        assert client.post("/field/read-in/", **multipart("file", file)).context["rows"][0].outcome == "stored"
    else:
        file = hostile.Sent(hostile.machine(sent.content), "x.zip")
        assert client.post("/vehicles/read-archive/", **multipart("file", file)).status_code == 302
    photo = Photo.objects.get()
    files = sorted(
        str(path.relative_to(settings.MEDIA_ROOT)) for path in Path(settings.MEDIA_ROOT).rglob("*") if path.is_file()
    )
    assert len(files) == 2
    assert all(re.fullmatch(rf"photos/{photo.pk}-[0-9a-f]{{12}}(-small)?\.jpg", name) for name in files)
    for kind in ("image", "thumbnail"):
        served = client.get(f"/photos/{photo.pk}/{kind}/")
        content = b"".join(served.streaming_content)
        assert served["Content-Type"] == "image/jpeg"
        assert served["X-Content-Type-Options"] == "nosniff"
        assert not PARTS.search(content)
        assert content[:2] == b"\xff\xd8"
        assert content[-2:] == b"\xff\xd9"
        with Image.open(io.BytesIO(content)) as shown:
            assert (shown.format, getattr(shown, "n_frames", 1), dict(shown.getexif())) == ("JPEG", 1, {})


@pytest.mark.parametrize("name", hostile.TRACKS)
def test_a_track(name, sign_in, session):
    """Kept for another try with a sentence, nothing of it read, and given back as an attachment only."""
    client, sent = sign_in("recorder"), hostile.TRACKS[name]()
    answer = client.post(f"/sessions/{session.pk}/new-log/", **multipart("file", sent))
    if not Log.objects.exists():
        # What is empty is not worth keeping.
        assert answer.status_code == 422
        is_a_sentence(answer.context["form"].errors["file"])
        return
    log = Log.objects.get()
    page = client.get(log.get_absolute_url() if answer.url.endswith(f"{log.pk}/") else answer.url)
    assert page.status_code == 200
    assert b"root:" not in page.content
    is_a_sentence([log.problem or page.context["problem"]])
    assert (log.state, log.row_count, log.columns.name) == ("waiting", 0, "")
    served = client.get(f"/sessions/logs/{log.pk}/original/")
    assert served["Content-Disposition"].startswith("attachment")
    assert served["Content-Type"] == "application/octet-stream"


@pytest.mark.parametrize(
    "file_name", ["../../etc/x.gpx", "a" * 600, "<img src=x onerror=alert(1)>", 'x";y="z.gpx', "‮gpx"]
)
def test_a_tracks_name_is_shown_and_never_used(file_name, sign_in, session, settings):
    client = sign_in("recorder")
    sent = hostile.Sent(hostile.gpx(hostile.points(3)), file_name, "text/html")
    answer = client.post(f"/sessions/{session.pk}/new-log/", **multipart("file", sent))
    assert answer.status_code == 302
    log = Log.objects.get()
    assert re.fullmatch(rf"logs/{log.pk}-[0-9a-f]{{12}}\.gpx", log.original.name)
    assert b"<img src=x" not in client.get(f"/sessions/logs/{log.pk}/").content
    served = client.get(f"/sessions/logs/{log.pk}/original/")
    assert served["Content-Disposition"] == f'attachment; filename="{log.pk}.gpx"'
    assert served["Content-Type"] == "application/octet-stream"
    assert served["X-Content-Type-Options"] == "nosniff"


@pytest.mark.parametrize("name", hostile.ARCHIVES)
def test_an_archive(name, sign_in, nothing_stored):
    answer = sign_in("builder").post("/vehicles/read-archive/", **multipart("file", hostile.ARCHIVES[name]()))
    assert answer.status_code == 422
    is_a_sentence(answer.context["form"].errors["file"])


@pytest.mark.parametrize(
    "entry", ["../../escaped.jpg", "/etc/escaped.jpg", "photos/../../escaped.jpg", "photos\\..\\x.jpg"]
)
def test_a_path_in_an_archive_leads_nowhere(entry, sign_in, settings, tmp_path):
    sent = hostile.Sent(hostile.machine(hostile.picture(), entry), "x.zip")
    assert sign_in("builder").post("/vehicles/read-archive/", **multipart("file", sent)).status_code == 302
    assert not Photo.objects.exists()
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


@pytest.mark.parametrize("name", hostile.PHONE_FILES)
def test_a_phones_file(name, sign_in, nothing_stored):
    answer = sign_in("recorder").post("/field/read-in/", **multipart("file", hostile.PHONE_FILES[name]()))
    assert answer.status_code == 422
    is_a_sentence(answer.context["form"].errors["file"])


@pytest.mark.parametrize("name", hostile.PHONE_RECORDS)
def test_a_record_in_a_phones_file(name, sign_in, nothing_stored):
    sent = hostile.Sent(hostile.phone_file(hostile.PHONE_RECORDS[name]), "x.json")
    answer = sign_in("recorder").post("/field/read-in/", **multipart("file", sent))
    assert answer.status_code == 200
    [row] = answer.context["rows"]
    assert (row.outcome, Account.objects.filter(role="owner").count()) in (("refused", 0), ("was there", 0))
    is_a_sentence([row.sentence], field=r"(\w+: )?")


FORM = "multipart/form-data; boundary=edge"
GOOD = multipart("image", hostile.Sent(hostile.picture()))["data"]
BROKEN = {
    "no edge declared": ("multipart/form-data", GOOD),
    "another edge declared": ("multipart/form-data; boundary=other", GOOD),
    "an edge of 5,000 signs": (f"multipart/form-data; boundary={'e' * 5000}", GOOD),
    "a name of 5,000 signs": (FORM, multipart("image", hostile.Sent(hostile.picture(), "a" * 5000))["data"]),
    "cut in its head": (FORM, GOOD[:40]),
    "cut in the file": (FORM, GOOD[:-300]),
    "no head of its part": (FORM, b"--edge\r\n\r\nx\r\n--edge--\r\n"),
    "a head without an end": (FORM, b"--edge\r\nContent-Disposition: form-data; name=" + b"x" * 50_000),
    "a part without a name": (FORM, b"--edge\r\nContent-Disposition: form-data\r\n\r\nx\r\n--edge--\r\n"),
    "base64 that is none": (FORM, b'--edge\r\nContent-Disposition: form-data; name="image"; filename="x.jpg"\r\n'
                            b"Content-Transfer-Encoding: base64\r\n\r\n%%%\r\n--edge--\r\n"),
    "1,001 fields": (FORM, b"".join(b'--edge\r\nContent-Disposition: form-data; name="f%d"\r\n\r\nx\r\n' % n
                                    for n in range(1001)) + b"--edge--\r\n"),
    "1,001 files": (FORM, b"".join(b'--edge\r\nContent-Disposition: form-data; name="image"; filename="%d.jpg"\r\n\r\nx'
                                   b"\r\n" % n for n in range(1001)) + b"--edge--\r\n"),
    "a text where the file should be": (FORM, multipart("caption", hostile.Sent(b"x"), image="no file")["data"]),
    "a part in the part": (FORM, b'--edge\r\nContent-Disposition: form-data; name="image"\r\nContent-Type: '
                           b"multipart/mixed; boundary=in\r\n\r\n--in\r\n\r\nx\r\n--in--\r\n--edge--\r\n"),
    "JSON where a form should be": ("application/json", b'{"image": "x"}'),
}  # fmt: skip
FORMS = {
    "photo": ("/photos/new/session/{session}/", "post"),
    "photo by the API": ("/api/v1/photos/{session}/", "put"),
    "track": ("/sessions/{session}/new-log/", "post"),
    "archive": ("/vehicles/read-archive/", "post"),
    "phone's file": ("/field/read-in/", "post"),
}


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_form(name, form, sign_in, session, nothing_stored):
    path, method = FORMS[form]
    content_type, body = BROKEN[name]
    answer = getattr(sign_in("builder"), method)(path.format(session=session.pk), body, content_type=content_type)
    assert answer.status_code in (400, 413, 415, 422)
    assert hostile.SCRIPT not in answer.content


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("size", ["2147483648", "99999999999999999999", "-1", "many"])
def test_a_size_that_is_only_declared(form, size, sign_in, session, nothing_stored):
    """2 GB are refused before the first of them is read; a size that is none counts as none."""
    path, method = FORMS[form]
    answer = getattr(sign_in("builder"), method)(
        path.format(session=session.pk), GOOD, content_type=FORM, CONTENT_LENGTH=size
    )
    assert answer.status_code in ((413,) if size.isdigit() else (200, 400, 413, 415, 422))
    if size.isdigit():
        assert "MB came at once" in answer.content.decode()


@pytest.mark.parametrize("form", FORMS)
def test_nobody_lays_files_down_without_signing_in(form, client, session, monkeypatch):
    """Told so before the body is read, and in a way that lets a phone keep its record."""
    read = []
    monkeypatch.setattr("django.http.multipartparser.MultiPartParser.parse", lambda self: read.append(1))
    path, method = FORMS[form]
    answer = getattr(client, method)(path.format(session=session.pk), b"x" * (2 * request_size.MB), content_type=FORM)
    assert answer.status_code in (302, 401, 403)
    assert read == []


@pytest.mark.parametrize("path", ["/sign-in/", "/invitation/never-issued/", "/new-password/x/y/"])
def test_open_pages_take_no_files(path, client, db, monkeypatch):
    read = []
    monkeypatch.setattr("django.http.multipartparser.MultiPartParser.parse", lambda self: read.append(1))
    answer = client.post(path, b"x" * (2 * request_size.MB), content_type=FORM)
    assert answer.status_code == 413
    assert read == []


def test_what_is_too_large_for_a_page_is_read_and_let_go(sign_in, session, monkeypatch, nothing_stored):
    monkeypatch.setattr(request_size, "BY_PAGE", 2 * request_size.MB)
    sent = hostile.Sent(b"x" * (3 * request_size.MB))
    answer = sign_in("recorder").post(f"/photos/new/session/{session.pk}/", **multipart("image", sent))
    assert answer.status_code == 413
    assert "More than 2 MB came at once" in answer.content.decode()


def test_the_number_of_cases_is_what_is_said():
    kinds = (hostile.PICTURES, hostile.TAKEN_AND_CLEANED, hostile.TRACKS, hostile.ARCHIVES, hostile.PHONE_FILES)
    assert sum(map(len, kinds)) + len(hostile.PHONE_RECORDS) + len(BROKEN) >= 100
