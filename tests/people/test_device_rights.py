"""What a device's key may do follows from its rights: each alone, on its own machine, and no further."""

import json
import uuid

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test.client import BOUNDARY, MULTIPART_CONTENT, encode_multipart
from django.utils import timezone

from buildlog.models import DeviceToken, Failure, Photo, Revision, Vehicle
from buildlog.photos.pictures import store_photo
from sessions.models import Pass, Reading, Session, VoiceNote
from tests.migrated_databases import earlier_database

SESSIONS, READINGS = "/api/v1/sessions/", "/api/v1/readings/"


@pytest.fixture
def key_for(make_account):
    """A key with one right, of an account that is made along."""

    def make(vehicle, right, role="builder"):
        values = {"may_add_readings": False, right: True}
        return DeviceToken.issue(name=right, vehicle=vehicle, account=make_account(role, f"{right}-{role}"), **values)[
            1
        ]

    return make


@pytest.fixture
def other(venue):
    """A session of another machine."""
    vehicle = Vehicle.objects.create(name="Kart")
    revision = Revision.objects.create(vehicle=vehicle, number=1, date="2026-01-10")
    return Session.objects.create(revision=revision, venue=venue, started_at=timezone.now())


@pytest.fixture
def ask(client):
    def do(key, method, path, values=None):
        body = {} if values is None else {"data": json.dumps(values), "content_type": "application/json"}
        return getattr(client, method)(path, headers={"Authorization": f"Bearer {key}"}, **body)

    return do


def test_a_reading_key_reads_its_own_machine_and_writes_nothing(key_for, ask, session, reading, other):
    key = key_for(session.revision.vehicle, "may_read")
    assert ask(key, "get", "/api/v1/vehicles/").json()["count"] == 1
    listed = ask(key, "get", SESSIONS).json()
    assert [row["id"] for row in listed["results"]] == [str(session.pk)]
    assert ask(key, "get", f"{READINGS}?session={session.pk}").json()["count"] == 1
    assert ask(key, "get", f"{SESSIONS}{other.pk}/").status_code == 404
    assert ask(key, "get", f"{SESSIONS}?revision={other.revision_id}").json()["count"] == 0
    row = {"session": str(session.pk), "time_into_session_s": 1, "voltage_v": 50}
    assert ask(key, "post", READINGS, row).status_code == 403
    assert ask(key, "put", f"{READINGS}{uuid.uuid4()}/", row).status_code == 403
    assert ask(key, "delete", f"{READINGS}{reading.pk}/").status_code == 403


def test_shared_things_are_read_as_far_as_the_machine_uses_them(key_for, ask, session, timed_pass, failure, battery):
    from buildlog.models import FailureMode, Fitting
    from sessions.models import Gate, Venue

    key = key_for(session.revision.vehicle, "may_read")
    Gate.objects.create(venue=Venue.objects.create(name="Never ridden there"), name="G", u_distance_m=0.1)
    FailureMode.called("of another machine")
    assert ask(key, "get", "/api/v1/parts/").json()["count"] == 0
    Fitting.objects.create(revision=session.revision, part=battery, quantity=1)
    for kind in ("venues", "gates", "failure-modes", "parts"):
        assert ask(key, "get", f"/api/v1/{kind}/").json()["count"] == 1, kind


def test_a_logging_key_logs_a_whole_outing_and_removes_nothing(key_for, ask, revision, venue, gate):
    key = key_for(revision.vehicle, "may_log")
    session = str(uuid.uuid4())
    values = {"revision": str(revision.pk), "venue": str(venue.pk), "started_at": "2026-01-17T11:00:00Z"}
    assert ask(key, "put", f"{SESSIONS}{session}/", values).status_code == 201
    stored = ask(key, "put", f"{SESSIONS}{session}/", values)
    assert stored.status_code == 200
    # A key that may not read knows the version of what it wrote from the answer.
    note = {"notes": "Wind from the east", "version": stored.json()["version"]}
    assert ask(key, "patch", f"{SESSIONS}{session}/", note).status_code == 200
    rows = {
        "passes": {"session": session, "gate": str(gate.pk), "duration_s": 7.3},
        "readings": {"session": session, "time_into_session_s": 5, "voltage_v": 50},
        "failures": {"revision": str(revision.pk), "session": session, "mode_name": "chain came off", "severity": 3},
        "track-parts": {"session": session, "fixes": [[1, 60, 25, 4]]},
    }
    for kind, row in rows.items():
        path = f"/api/v1/{kind}/{uuid.uuid4()}/"
        assert ask(key, "put", path, row).status_code == 201, kind
        assert ask(key, "delete", path).status_code == 403
        assert ask(key, "get", path).status_code == 403
    assert (Pass.objects.count(), Reading.objects.count(), Failure.objects.count()) == (1, 1, 1)
    for kind in ("vehicles", "revisions", "venues", "gates", "test-cards", "parts", "failure-modes"):
        assert ask(key, "put", f"/api/v1/{kind}/{uuid.uuid4()}/", {"name": "x"}).status_code == 403, kind


def test_a_logging_key_neither_makes_nor_takes_over_another_machines_records(key_for, ask, session, other):
    key = key_for(session.revision.vehicle, "may_log")
    foreign = {"revision": str(other.revision_id), "venue": str(other.venue_id), "started_at": "2026-01-17T11:00:00Z"}
    own = {**foreign, "revision": str(session.revision_id)}
    row = {"session": str(other.pk), "time_into_session_s": 1, "voltage_v": 50}
    theirs = Reading.objects.create(session=other, time_into_session_s=1, voltage_v=44)
    refused = [
        ask(key, "put", f"{SESSIONS}{uuid.uuid4()}/", foreign),  # made for another machine
        ask(key, "put", f"{SESSIONS}{other.pk}/", own),  # another machine's, pulled over
        ask(key, "patch", f"{SESSIONS}{session.pk}/", {"revision": str(other.revision_id)}),  # pushed away
        ask(key, "put", f"{READINGS}{uuid.uuid4()}/", row),
        ask(key, "put", f"{READINGS}{theirs.pk}/", {**row, "session": str(session.pk)}),
    ]
    assert {answer.status_code for answer in refused} == {403}
    assert {answer.json()["detail"] for answer in refused} == {"This key reaches the records of its own machine only."}
    assert ask(key, "patch", f"{SESSIONS}{other.pk}/", {"notes": "mine"}).status_code == 404
    session.refresh_from_db()
    other.refresh_from_db()
    theirs.refresh_from_db()
    assert session.revision_id != other.revision_id
    assert (other.notes, theirs.voltage_v, theirs.session_id) == ("", 44.0, other.pk)


@pytest.mark.parametrize("right", DeviceToken.RIGHTS)
def test_a_key_can_do_no_more_than_its_account(key_for, ask, session, right):
    """Whoever may only read has keys that only read, whatever they were made for."""
    key = key_for(session.revision.vehicle, right, role="reader")
    row = {"session": str(session.pk), "time_into_session_s": 1, "voltage_v": 50}
    assert ask(key, "post", READINGS, row).status_code == 403
    assert ask(key, "put", f"{READINGS}{uuid.uuid4()}/", row).status_code == 403
    assert ask(key, "get", READINGS).status_code == (200 if right == "may_read" else 403)


@pytest.mark.parametrize("path", ["/api/v1/schema/", "/api/v1/field/", "/api/v1/field/greeting/"])
def test_no_key_opens_what_is_for_people(key_for, ask, session, path):
    for right in DeviceToken.RIGHTS:
        assert ask(key_for(session.revision.vehicle, right), "get", path).status_code in (401, 403)


@pytest.mark.django_db
def test_keys_and_owners_of_an_older_installation_stay_good(tmp_path):
    with earlier_database(tmp_path / "earlier.sqlite3") as models_at:
        old = models_at("0007_device_tokens")
        accounts = old.get_model("buildlog", "Account").objects.using("earlier")
        owner = accounts.create(username="mara", role="owner", is_staff=False)
        accounts.create(username="ilo", role="reader", is_superuser=True, is_staff=True)
        vehicle = old.get_model("buildlog", "Vehicle").objects.using("earlier").create(name="Old sled")
        old.get_model("buildlog", "DeviceToken").objects.using("earlier").create(
            name="Logger", vehicle=vehicle, account=owner, token_hash=DeviceToken.hash_of("the old key")
        )
        new = models_at("0008_access")
        [device] = new.get_model("buildlog", "DeviceToken").objects.using("earlier").values()
        flags = {row["username"]: row for row in new.get_model("buildlog", "Account").objects.using("earlier").values()}
    assert device["token_hash"] == DeviceToken.hash_of("the old key")
    rights = {name: device[name] for name in DeviceToken.RIGHTS}
    assert rights == {**dict.fromkeys(DeviceToken.RIGHTS, False), "may_add_readings": True}
    assert (flags["mara"]["is_staff"], flags["mara"]["is_superuser"]) == (True, True)
    assert (flags["ilo"]["is_staff"], flags["ilo"]["is_superuser"]) == (False, False)


def multipart(client, key, path, **fields):
    body = encode_multipart(BOUNDARY, fields)
    return client.put(path, body, content_type=MULTIPART_CONTENT, headers={"Authorization": f"Bearer {key}"})


def test_a_logging_key_sends_photos_and_voice_notes_of_its_machine(
    key_for, client, ask, session, other, failure, picture_file, battery
):
    key = key_for(session.revision.vehicle, "may_log")
    photo = f"/api/v1/photos/{uuid.uuid4()}/"
    picture = picture_file.read()

    def send_photo(path, **subject):
        return multipart(client, key, path, image=SimpleUploadedFile("photo", picture), **subject)

    assert send_photo(photo, session=str(session.pk), caption="Meter").status_code == 201
    assert send_photo(photo, session=str(session.pk)).status_code == 200
    assert send_photo(f"/api/v1/photos/{uuid.uuid4()}/", failure=str(failure.pk)).status_code == 201
    sound = {"time_into_session_s": "5 s", "duration_s": "2 s", "sound": SimpleUploadedFile("note", b"OggS\x00 speech")}
    voice = f"/api/v1/voice-notes/{uuid.uuid4()}/"
    assert multipart(client, key, voice, session=str(session.pk), **sound).status_code == 201
    assert (Photo.objects.count(), VoiceNote.objects.count()) == (2, 1)
    # Of another machine, of a part that machines share, and over somebody else's.
    for subject in ({"session": str(other.pk)}, {"revision": str(other.revision_id)}, {"part": str(battery.pk)}):
        refused = send_photo(f"/api/v1/photos/{uuid.uuid4()}/", **subject)
        assert (refused.status_code, refused.json()["detail"]) == (
            403,
            "This key reaches the records of its own machine only.",
        )
    sound["sound"] = SimpleUploadedFile("note", b"OggS\x00 speech")
    elsewhere = multipart(client, key, f"/api/v1/voice-notes/{uuid.uuid4()}/", session=str(other.pk), **sound)
    assert elsewhere.status_code == 403
    theirs = store_photo(SimpleUploadedFile("photo", picture), session=other)
    assert send_photo(f"/api/v1/photos/{theirs.pk}/", session=str(session.pk)).status_code == 404
    assert ask(key, "patch", f"/api/v1/photos/{theirs.pk}/", {"caption": "mine"}).status_code == 404
    assert (Photo.objects.count(), VoiceNote.objects.count()) == (3, 1)
    # It removes nothing and, without the right, reads nothing.
    for path in (photo, voice):
        assert ask(key, "delete", path).status_code == 403
        assert ask(key, "get", path).status_code == 403


def test_a_reading_key_sees_the_photos_of_its_machine_alone(key_for, ask, session, other, picture_file):
    own = store_photo(picture_file, session=session)
    picture_file.seek(0)
    store_photo(picture_file, session=other)
    key = key_for(session.revision.vehicle, "may_read")
    assert [row["id"] for row in ask(key, "get", "/api/v1/photos/").json()["results"]] == [str(own.pk)]
    assert ask(key, "delete", f"/api/v1/photos/{own.pk}/").status_code == 403


def test_a_key_that_only_adds_readings_sends_no_photo(key_for, client, session, picture_file):
    key = key_for(session.revision.vehicle, "may_add_readings")
    answer = multipart(client, key, f"/api/v1/photos/{uuid.uuid4()}/", image=picture_file, session=str(session.pk))
    assert answer.status_code == 403
