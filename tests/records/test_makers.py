"""Who made a record, and where that goes along."""

import io
import json
import uuid
from datetime import timedelta

from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import call_command

from buildlog.models import (
    DeviceToken,
    Evidence,
    Fitting,
    MadeRecord,
    Photo,
)
from buildlog.people import current_account
from sessions.models import Gate, Log, Pass, Reading, Session, Venue
from sessions.sharing import archive
from tests.filled_forms import opened
from tests.records.crew import own

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
