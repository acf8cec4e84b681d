"""Who may remove what: recorders only what they made in the last day, and nothing that others' records rest on.

Each record knows who made it, by whichever door it came in; and each change and removal is a line in the log.
"""

import io
import json
import logging
import uuid
from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import call_command
from django.test import Client
from django.utils import timezone

from buildlog.hosting.request_log import PlainLines, logging_settings
from buildlog.models import (
    DeviceToken,
    Evidence,
    Failure,
    FailureMode,
    Fitting,
    MadeRecord,
    Modification,
    Photo,
    RemovedRecord,
)
from buildlog.people import current_account
from sessions.models import Gate, Log, Pass, Reading, Session, TestCard, TestCardItem, TrackPart, Venue
from sessions.sharing import archive
from tests.filled_forms import opened


@pytest.fixture
def ilo(make_account):
    return make_account("recorder", "ilo")


@pytest.fixture
def mara(make_account):
    return make_account("recorder", "mara")


@pytest.fixture
def oona(make_account):
    return make_account("builder", "oona")


@pytest.fixture
def as_(ilo, mara, oona):
    """A client for each of the crew."""
    clients = {}
    for account in (ilo, mara, oona):
        clients[account.username] = Client()
        clients[account.username].force_login(account)
    return clients


def own(record, account, ago=timedelta(hours=1)):
    type(record).objects.filter(pk=record.pk).update(made_by=account, made_at=timezone.now() - ago)
    return record


def removed_by_page(client, record, path):
    answer = client.post(path)
    assert type(record).objects.filter(pk=record.pk).exists() == (answer.status_code != 302)
    return answer


def removed_by_api(client, kind, record, **headers):
    answer = client.delete(f"/api/v1/{kind}/{record.pk}/", headers=headers)
    assert type(record).objects.filter(pk=record.pk).exists() == (answer.status_code != 200)
    return answer


# kind of record: (fixture, kind in the API or None, page of removal or None)
KINDS = {
    "session": ("session", "sessions", "/sessions/{}/remove/"),
    "pass": ("timed_pass", "passes", "/sessions/passes/{}/remove/"),
    "reading": ("reading", "readings", "/sessions/readings/{}/remove/"),
    "failure": ("failure", "failures", "/failures/{}/remove/"),
    "venue": ("venue", "venues", "/venues/{}/remove/"),
    "gate": ("gate", "gates", "/gates/{}/remove/"),
    "test card": ("card", "test-cards", "/test-cards/{}/remove/"),
    "card item": ("card_item", "test-card-items", None),
    "track": ("track_part", "track-parts", None),
    "go/no-go": ("go_no_go", "go-no-go-checks", None),
    "mode": ("failure_mode", "failure-modes", None),
    "photo": ("photo", "photos", "/photos/{}/remove/"),
    "voice note": ("voice_note", "voice-notes", "/sessions/voice-notes/{}/remove/"),
    "mark": ("mark_tap", "mark-taps", None),
    "log": ("log", None, "/sessions/logs/{}/remove/"),
}


@pytest.fixture
def failure_mode(db):
    return FailureMode.called("chain came off")


@pytest.fixture
def go_no_go(session):
    from sessions.models import GoNoGoCheck

    return GoNoGoCheck.objects.create(session=session, **dict.fromkeys(GoNoGoCheck.ITEMS, "yes"))


@pytest.fixture
def card_item(card):
    return TestCardItem.objects.create(card=card, what="Coast down twice")


@pytest.fixture
def track_part(session):
    return TrackPart.objects.create(session=session, fixes=[[1.0, 60.0, 25.0, 4.0]])


WHOSE = {
    "their own": ("ilo", timedelta(hours=23), True),
    "their own of two days ago": ("ilo", timedelta(days=2), False),
    "somebody else's": ("mara", timedelta(hours=1), False),
    "nobody's": (None, timedelta(hours=1), False),
}


@pytest.mark.parametrize("whose", WHOSE)
@pytest.mark.parametrize("kind", KINDS)
def test_recorders_remove_their_own_of_the_last_day(kind, whose, request, as_, ilo, mara):
    fixture, api, page = KINDS[kind]
    maker, ago, may = WHOSE[whose]
    for by_api in (True, False):
        record = request.getfixturevalue(fixture)
        record.save(force_insert=not type(record).objects.filter(pk=record.pk).exists())
        own(record, {"ilo": ilo, "mara": mara, None: None}[maker], ago)
        if by_api and api:
            answer = removed_by_api(as_["ilo"], api, record)
            assert answer.status_code == (200 if may else 403), answer.content
            assert may or "A builder can remove it." in answer.json()["detail"]
        elif not by_api and page:
            there = as_["ilo"].get(page.format(record.pk))
            assert there.status_code == (200 if may else 403)
            answer = removed_by_page(as_["ilo"], record, page.format(record.pk))
            assert answer.status_code == (302 if may else 403)
            assert may or "A builder can remove it." in answer.content.decode()
        if may and kind == "log":
            break


@pytest.mark.parametrize("kind", KINDS)
def test_builders_remove_what_anybody_made(kind, request, as_, mara):
    fixture, api, page = KINDS[kind]
    record = own(request.getfixturevalue(fixture), mara, timedelta(days=30))
    if api:
        assert removed_by_api(as_["oona"], api, record).status_code == 200
    else:
        assert removed_by_page(as_["oona"], record, page.format(record.pk)).status_code == 302


def hang(on, maker, gate):
    """One record of each kind that can hang on a session."""
    failure = Failure.objects.create(
        revision=on.revision, session=on, mode=FailureMode.called("belt slipped"), severity=3
    )
    card = TestCard.objects.create(revision=on.revision, title="x")
    rows = {
        "passes": Pass.objects.create(session=on, gate=gate, duration_s=7.0),
        "readings": Reading.objects.create(session=on, time_into_session_s=1.0, voltage_v=50.0),
        "failures": failure,
        "track parts": TrackPart.objects.create(session=on, fixes=[[1.0, 60.0, 25.0, 4.0]]),
        "test card items": TestCardItem.objects.create(card=card, what="y", outcome="done", session=on),
    }
    for row in rows.values():
        own(row, maker)
    return rows


@pytest.mark.parametrize("kind", ["passes", "readings", "failures", "track parts", "test card items"])
def test_a_session_that_others_records_rest_on_is_not_a_recorders_to_remove(kind, as_, session, gate, ilo, mara):
    own(session, ilo)
    rows = hang(session, ilo, gate)
    own(rows[kind], mara)
    answer = removed_by_api(as_["ilo"], "sessions", session)
    assert answer.status_code == 403
    assert f"1 {kind} of others" in answer.json()["detail"]
    assert answer.json()["code"] == "not_yours"
    page = removed_by_page(as_["ilo"], session, f"/sessions/{session.pk}/remove/")
    assert page.status_code == 403
    assert f"1 {kind} of others" in page.content.decode()
    own(rows[kind], None)
    assert removed_by_api(as_["ilo"], "sessions", session).status_code == 403
    own(rows[kind], ilo)
    assert removed_by_api(as_["ilo"], "sessions", session).status_code == 200
    assert not Pass.objects.exists()
    assert Failure.objects.get().session is None


def test_a_failure_that_a_builders_modification_answers_is_not_a_recorders_to_remove(as_, failure, revision, ilo):
    own(failure, ilo)
    Modification.objects.create(revision=revision, title="New chain").answers.add(failure)
    answer = removed_by_api(as_["ilo"], "failures", failure)
    assert answer.status_code == 403
    assert "modification" in answer.json()["detail"]


def test_what_the_database_keeps_is_said_to_recorders_too(as_, venue, session, ilo):
    own(venue, ilo)
    answer = removed_by_api(as_["ilo"], "venues", venue)
    assert answer.status_code == 409
    assert "sessions depend on it" in answer.json()["detail"]
    assert (
        "is kept: sessions depend on it" in as_["ilo"].get(f"/venues/{venue.pk}/remove/", follow=True).content.decode()
    )


def test_field_pages_of_format_1_are_refused_without_being_signed_out(as_, reading, ilo, mara):
    """They take any 403 for a lost sign-in, and would send nothing more."""
    own(reading, mara)
    answer = removed_by_api(as_["ilo"], "readings", reading, **{"X-Firnlog-Account": str(ilo.pk)})
    assert answer.status_code == 409
    assert "A builder can remove it." in answer.json()["detail"]


def test_a_removal_names_the_version_it_removes(as_, reading, ilo):
    own(reading, ilo)
    path = f"/api/v1/readings/{reading.pk}/"
    version = as_["ilo"].get(path).json()["version"]
    Reading.objects.update(voltage_v=51.0)
    answer = removed_by_api(as_["ilo"], "readings", reading, **{"If-Match": f'W/"{version}"'})
    assert answer.status_code == 412
    version = as_["ilo"].get(path).json()["version"]
    assert removed_by_api(as_["ilo"], "readings", reading, **{"If-Match": f'W/"{version}"'}).status_code == 200


def test_a_photo_s_removal_is_answered_in_json(as_, photo):
    answer = removed_by_api(as_["oona"], "photos", photo)
    assert answer.json() == {"id": str(photo.pk), "removed": True}


def test_links_to_remove_are_shown_to_whom_they_lead_somewhere(as_, session, reading, timed_pass, ilo):
    own(reading, ilo)
    pages = {who: as_[who].get(f"/sessions/{session.pk}/").content.decode() for who in ("ilo", "oona")}
    for path, mine in ((f"/sessions/{session.pk}", False), (f"/sessions/passes/{timed_pass.pk}", False),
                       (f"/sessions/readings/{reading.pk}", True)):  # fmt: skip
        assert f'href="{path}/remove/"' in pages["oona"]
        assert (f'href="{path}/remove/"' in pages["ilo"]) == mine
        assert f'href="{path}/edit/"' in pages["ilo"]


def test_a_line_that_was_ticked_off_stays_on_a_recorders_card(as_, card, session, mara):
    own(TestCardItem.objects.create(card=card, what="Six passes", outcome="done", session=session), mara)
    own(TestCardItem.objects.create(card=card, what="Rest voltage", position=2), mara)
    path = f"/test-cards/{card.pk}/edit/"
    form = opened(as_["ilo"], path)
    answer = as_["ilo"].post(path, {**form, "items": "Rest voltage"})
    assert answer.status_code == 422
    assert "was ticked off in a session" in answer.content.decode()
    assert as_["ilo"].post(path, {**form, "items": "Six passes"}).status_code == 302
    assert as_["oona"].post(path, {**opened(as_["oona"], path), "items": "Coast down"}).status_code == 302
    assert card.items.get().what == "Coast down"


# --- who made it


def made(model):
    return [(item.made_by.username if item.made_by else None, item.made_at is not None) for item in model.objects.all()]


def test_every_kind_of_record_that_recorders_write_knows_its_maker():
    from buildlog.config.api_urls import router
    from buildlog.people.roles import Right

    kinds = {view.queryset.model for _, view, _ in router.registry if view.write_right == Right.LOG} | {Photo, Log}
    assert all(issubclass(model, MadeRecord) for model in kinds)
    assert {Fitting, Evidence, Gate} < set(MadeRecord.__subclasses__())


def test_a_form_and_the_api_store_who_made_it(as_, session):
    as_["ilo"].post(f"/sessions/{session.pk}/new-reading/", {"time_into_session_s": "5", "note": "Quiet"})
    as_["mara"].put(f"/api/v1/venues/{uuid.uuid4()}/", '{"name": "North bay"}', content_type="application/json")
    assert made(Reading) == [("ilo", True)]
    assert [item for item in made(Venue) if item[0]] == [("mara", True)]
    # Who changes it did not make it.
    reading = Reading.objects.get()
    path = f"/sessions/readings/{reading.pk}/edit/"
    as_["mara"].post(path, {**opened(as_["mara"], path), "note": "Loud"})
    data = {"note": "Louder", "version": as_["mara"].get(f"/api/v1/readings/{reading.pk}/").json()["version"]}
    as_["mara"].patch(f"/api/v1/readings/{reading.pk}/", json.dumps(data), content_type="application/json")
    assert Reading.objects.get().note == "Louder"
    assert made(Reading) == [("ilo", True)]


def test_files_and_rows_made_at_once_have_a_maker_too(as_, session, gate, picture_file):
    as_["ilo"].post(f"/photos/new/session/{session.pk}/", {"image": picture_file})
    as_["ilo"].post(f"/sessions/{session.pk}/new-log/", {"file": SimpleUploadedFile("a.csv", b"t,volts\n0,52\n1,51\n")})
    rows = [{"session": str(session.pk), "time_into_session_s": at, "voltage_v": 50} for at in (1, 2)]
    as_["ilo"].post("/api/v1/readings/", json.dumps(rows), content_type="application/json")
    assert made(Photo) == made(Log) == [("ilo", True)]
    assert made(Reading) == [("ilo", True)] * 2


def test_what_a_device_pushes_is_made_by_the_account_of_its_key(client, session, oona):
    key = DeviceToken.issue(name="Logger", vehicle=session.revision.vehicle, account=oona, may_add_readings=True)[1]
    rows = [{"session": str(session.pk), "time_into_session_s": 1, "voltage_v": 50}]
    bearer = {"Authorization": f"Bearer {key}"}
    client.post("/api/v1/readings/", json.dumps(rows), content_type="application/json", headers=bearer)
    assert made(Reading) == [("oona", True)]
    assert client.delete(f"/api/v1/readings/{Reading.objects.get().pk}/", headers=bearer).status_code == 403


def unsent(account, name, session):
    record = {"id": str(uuid.uuid4()), "kind": "readings", "base": "", "fresh": True, "words": "Reading",
              "payload": {"session": str(session.pk), "time_into_session_s": 1, "voltage_v": 50}}  # fmt: skip
    values = {"firnlog": "unsent", "format": 1, "account": {"id": str(account), "name": name}, "records": [record]}
    return SimpleUploadedFile("unsent.json", json.dumps(values).encode(), "application/json")


def test_a_file_of_ones_own_phone_is_ones_own_and_any_other_is_nobodys(as_, session, ilo, mara):
    for values in ((ilo.pk, "ilo"), (mara.pk, "mara"), (ilo.pk, "somebody")):
        Reading.objects.all().delete()
        assert as_["ilo"].post("/field/read-in/", {"file": unsent(*values, session)}).status_code == 200
        assert made(Reading) == [("ilo" if values == (ilo.pk, "ilo") else None, True)]
    assert current_account.maker_id() is None
    as_["ilo"].post(f"/sessions/{session.pk}/new-reading/", {"time_into_session_s": "5", "note": "Quiet"})
    assert ("ilo", True) in made(Reading)


def test_a_file_from_a_phone_removes_no_more_than_the_reader_may(as_, session, reading, ilo, mara):
    own(reading, mara)
    values = {"firnlog": "unsent", "format": 1, "account": {"id": str(ilo.pk), "name": "ilo"},
            "records": [{"id": str(reading.pk), "kind": "readings", "action": "remove", "payload": None}]}  # fmt: skip

    def read_in():
        file = SimpleUploadedFile("unsent.json", json.dumps(values).encode(), "application/json")
        [row] = as_["ilo"].post("/field/read-in/", {"file": file}).context["rows"]
        return row.outcome, row.sentence

    outcome, sentence = read_in()
    assert outcome == "refused"
    assert "this was made by mara" in sentence
    own(reading, ilo)
    assert read_in()[0] == "removed"


def test_a_changed_record_of_a_file_that_knows_no_version_overwrites_nothing(as_, session, reading, ilo):
    record = {"id": str(reading.pk), "kind": "readings", "base": "", "fresh": False, "words": "Reading",
              "payload": {"session": str(session.pk), "time_into_session_s": 1, "voltage_v": 49}}  # fmt: skip
    values = {"firnlog": "unsent", "format": 1, "account": {"id": str(ilo.pk), "name": "ilo"}, "records": [record]}
    file = SimpleUploadedFile("unsent.json", json.dumps(values).encode(), "application/json")
    [row] = as_["ilo"].post("/field/read-in/", {"file": file}).context["rows"]
    assert row.outcome == "kept the server's"
    assert Reading.objects.get().voltage_v == 54.0


def test_an_archive_says_when_and_not_who_and_whoever_reads_it_in_made_nothing(as_, session, timed_pass, oona):
    at = own(timed_pass, oona) and Pass.objects.get().made_at
    vehicle = session.revision.vehicle
    packed = io.BytesIO()
    archive.export_machine(vehicle, packed)
    Pass.objects.all().delete()
    Session.objects.all().delete()
    Session.objects.model.revision.field.related_model.objects.all().delete()
    vehicle.delete()
    file = SimpleUploadedFile("machine.zip", packed.getvalue(), "application/zip")
    assert as_["oona"].post("/vehicles/read-archive/", {"file": file}).status_code in (200, 302)
    [rows] = Pass.objects.all()
    assert (rows.made_by, rows.made_at) == (None, at)
    assert made(Session) == [(None, True)]


def test_an_archive_of_a_release_that_kept_no_makers_has_neither(as_, session, timed_pass):
    packed = io.BytesIO()
    archive.export_machine(session.revision.vehicle, packed)
    import zipfile

    with zipfile.ZipFile(packed) as item:
        records = json.loads(item.read("records.json"))
    for rows in records.values():
        for row in rows if isinstance(rows, list) else ():
            row.pop("made_at", None)
    older = io.BytesIO()
    with zipfile.ZipFile(older, "w") as item:
        item.writestr("records.json", json.dumps(records))
    Pass.objects.all().delete()
    file = SimpleUploadedFile("machine.zip", older.getvalue(), "application/zip")
    as_["oona"].post("/vehicles/read-archive/", {"file": file})
    assert made(Pass) == [(None, False)]


def test_the_demo_is_made_by_nobody(db):
    from sessions.demo import loading

    loading.load()
    assert {maker for maker, _ in made(Session)} == {None}


def test_a_closed_account_s_records_stay_when_it_goes(session, ilo):
    own(session, ilo)
    ilo.delete()
    assert Session.objects.get().made_by is None


# --- lines in the log


@pytest.fixture
def lines(django_capture_on_commit_callbacks):
    """What the server writes in plain form, with the levels of that form, while something is done."""

    def lines_of(do):
        data = logging_settings("plain")
        held = []
        handler = logging.Handler()
        handler.setFormatter(PlainLines(data["formatters"]["plain"]["format"]))
        handler.emit = lambda record: held.append(handler.format(record))
        loggers = {name: logging.getLogger(name) for name in ("buildlog", "buildlog.records")}
        levels = {name: item.level for name, item in loggers.items()}
        for name, item in loggers.items():
            item.setLevel(data["loggers"][name]["level"])
        loggers["buildlog"].addHandler(handler)
        try:
            with django_capture_on_commit_callbacks(execute=True):
                do()
        finally:
            loggers["buildlog"].removeHandler(handler)
            for name, item in loggers.items():
                item.setLevel(levels[name])
        return [line.partition("INFO ")[2] for line in held if "INFO" in line]

    return lines_of


def test_a_removal_is_a_line_with_who_what_and_what_went_along(as_, session, gate, oona, lines):
    hang(session, oona, gate)
    words = f"{session.pk} ({session})"
    [line] = lines(lambda: as_["oona"].post(f"/sessions/{session.pk}/remove/"))
    assert line == (f"account {oona.pk} removed session {words}, and with it 1 passes, 1 readings, 1 track parts")
    [line] = lines(lambda: removed_by_api(as_["oona"], "venues", Venue.objects.get()))
    assert line.startswith(f"account {oona.pk} removed venue ")


def test_a_change_is_a_line_with_who_what_and_which_fields(as_, session, mara, lines):
    path = f"/sessions/{session.pk}/edit/"
    form = opened(as_["mara"], path)
    [line] = lines(lambda: as_["mara"].post(path, {**form, "charge_used_ah": "8.4", "notes": "Secret of ours"}))
    assert line == f"account {mara.pk} changed session {session.pk} ({session}): charge_used_ah, notes"
    data = {"notes": "Other", "version": as_["mara"].get(f"/api/v1/sessions/{session.pk}/").json()["version"]}
    path = f"/api/v1/sessions/{session.pk}/"
    [line] = lines(lambda: as_["mara"].patch(path, json.dumps(data), content_type="application/json"))
    assert line == f"account {mara.pk} changed session {session.pk} ({session}): notes"
    assert lines(lambda: as_["mara"].put(path, as_["mara"].get(path).content, content_type="application/json")) == []


def test_what_was_refused_or_not_changed_is_no_line(as_, session, mara, lines):
    path = f"/sessions/{session.pk}/edit/"
    form = opened(as_["mara"], path)
    assert lines(lambda: as_["mara"].post(path, form)) == []
    assert lines(lambda: as_["mara"].post(path, {**form, "charge_used_ah": "lots"})) == []
    assert lines(lambda: as_["mara"].post(f"/sessions/{session.pk}/remove/")) == []
    old = {"notes": "Other", "version": "f" * 32}
    path = f"/api/v1/sessions/{session.pk}/"
    assert lines(lambda: as_["mara"].patch(path, json.dumps(old), content_type="application/json")) == []


def test_a_device_s_change_says_which_it_was(client, session, reading, oona, lines):
    rights = {"may_log": True, "may_read": True}
    device, key = DeviceToken.issue(name="Pit", vehicle=session.revision.vehicle, account=oona, **rights)
    bearer = {"Authorization": f"Bearer {key}"}
    path = f"/api/v1/readings/{reading.pk}/"
    data = {"note": "Hot", "version": client.get(path, headers=bearer).json()["version"]}
    send = lambda: client.patch(path, json.dumps(data), content_type="application/json", headers=bearer)  # noqa: E731
    [line] = lines(send)
    assert line.startswith(f"account {oona.pk}, device {device.pk} changed reading {reading.pk}")


def test_a_recording_that_is_moved_is_a_line(as_, log, oona, lines):
    values = {"clock": "hand", "begins": "12.5 s"}
    [line] = lines(lambda: as_["oona"].post(f"/sessions/logs/{log.pk}/place/", values))
    assert line == f"account {oona.pk} changed log {log.pk} (track.gpx): begins_into_session_s, clock"


def test_a_command_says_that_it_was_one(db, lines):
    from sessions.demo import loading

    loading.load()
    [line] = lines(loading.remove)
    assert line.startswith("a command removed vehicle ")


def test_a_name_cannot_begin_a_line_of_its_own(as_, venue, lines):
    Venue.objects.update(name="Bay\n2026-01-01 00:00:00,000Z ERROR forged\x1b[2J")
    [line] = lines(lambda: removed_by_api(as_["oona"], "venues", venue))
    assert "\n" not in line
    assert "\x1b" not in line


def test_makers_are_copied_with_everything_else(session, oona):
    from buildlog.hosting.data_copy import fingerprint

    before = fingerprint("default")
    own(session, oona)
    assert fingerprint("default").differences(before) == ["test_sessions_session"]


def test_makers_come_along_in_a_backup_of_rows(session, oona, tmp_path):
    """`dumpdata` writes them, and `loaddata` brings them back as they were."""
    own(session, oona)
    at = Session.objects.get().made_at
    call_command("dumpdata", "test_sessions.session", output=str(tmp_path / "rows.json"))
    Session.objects.all().delete()
    call_command("loaddata", str(tmp_path / "rows.json"), verbosity=0)
    records = Session.objects.get()
    assert (records.made_by, abs(records.made_at - at) < timedelta(milliseconds=1)) == (oona, True)


def test_records_of_two_kinds_under_one_key_go_together(sign_in, session):
    """A client makes the keys; PostgreSQL took the second of one key for a mistake."""
    Reading.objects.create(pk=session.pk, session=session, time_into_session_s=60, voltage_v=51)
    assert sign_in("owner").delete(f"/api/v1/sessions/{session.pk}/").status_code == 200
    assert RemovedRecord.objects.filter(pk=session.pk).count() == 1
