"""The server's side of the field page: its shell, what a phone takes along, and the file of what is unsent."""

import json
import re
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import IntegrityError, transaction
from django.utils import timezone

from buildlog.models import Failure, FailureMode, Fitting, Photo
from sessions.field import shell as field_shell
from sessions.field.reference import MOST_GOING
from sessions.models import GoNoGoCheck, Pass, Reading, Session, TestCard, TestCardItem, TrackPart
from sessions.outings.track_parts import track_of
from tests.filled_forms import opened

PAYLOADS = Path(__file__).parent / "field_payloads_1.json"


@pytest.fixture
def records(revision):
    return json.loads(PAYLOADS.read_text().replace("REVISION", str(revision.pk)))["records"]


def unsent(records, **changes):
    values = {
        "firnlog": "unsent",
        "format": 1,
        "saved_at": "2026-01-17T15:00:00Z",
        "account": {"id": "1", "name": "ilo"},
    }
    return json.dumps({**values, "records": records, **changes})


def read_in(client, text):
    raw = text if isinstance(text, bytes) else text.encode()
    return client.post("/field/read-in/", {"file": SimpleUploadedFile("unsent.json", raw, "application/json")})


def test_the_shell_is_the_same_for_everybody(client, sign_in, db):
    nobody = client.get("/field/")
    somebody = sign_in("owner").get("/field/")
    assert nobody.content == somebody.content
    assert nobody.headers["X-Firnlog-Shell"] == field_shell.version()
    assert "firnlog_session" not in nobody.cookies


def test_the_worker_names_the_shell_it_keeps_and_nothing_else(client):
    source = client.get("/service-worker.js").content.decode()
    data = json.loads(re.search(r"const SHELL = (\{.*?\});", source).group(1))
    assert data["version"] == field_shell.version()
    assert all(re.search(r"/static/(field|css)/|/static/icon", file) for file in data["files"])
    assert not any("worker.js" in file for file in data["files"])


def test_a_change_of_any_file_is_a_new_version(monkeypatch, tmp_path):
    before = field_shell._fingerprint()
    extra = tmp_path / "extra.js"
    extra.write_text("export const more = 1;")
    files = field_shell.shell_files()
    monkeypatch.setattr(field_shell, "shell_files", lambda: [*files, extra])
    assert field_shell._fingerprint() != before


def consumption_at(client):
    [revision] = client.get("/api/v1/field/").json()["revisions"]
    return revision["consumption"]


def test_a_doubtful_ride_sends_nobody_farther_out(sign_in, session):
    """10 km with 440 Wh; then 100 km typed for 10 km, which would be a tenth of it."""
    client = sign_in("recorder")
    alone = consumption_at(client)
    odd = Session.objects.create(
        revision=session.revision, venue=session.venue, charge_used_ah=8.0, rest_voltage_start_v=58.0,
        rest_voltage_end_v=52.0, runtime_s=session.runtime_s, distance_m=400_000.0, air_temperature_c=-5.0,
    )  # fmt: skip
    assert consumption_at(client)["wh_per_km"] == pytest.approx(alone["wh_per_km"])
    # A doubt that makes it thirstier is heeded, and the faster mean speed too.
    Session.objects.filter(pk=odd.pk).update(distance_m=1_100.0, runtime_s=10.0)
    doubtful = consumption_at(client)
    assert doubtful["wh_per_km"] > alone["wh_per_km"]
    assert doubtful["speed_mps"] == pytest.approx(110.0)
    Session.objects.filter(pk=session.pk).delete()
    assert consumption_at(client) is None


def test_a_phone_takes_along_what_it_needs(sign_in, session, timed_pass, battery, failure):
    Fitting.objects.create(revision=session.revision, part=battery, quantity=2, series=1, parallel=2)
    Session.objects.create(revision=session.revision, venue=session.venue)
    card = TestCard.objects.create(revision=session.revision, title="Next")
    TestCardItem.objects.create(card=card, what="Six passes")
    data = sign_in("recorder").get("/api/v1/field/").json()
    [revision] = data["revisions"]
    # Two modules side by side: 2 × 12 Ah × 50.4 V.
    assert revision["pack"]["energy_wh"] == pytest.approx(2 * 12.0 * 50.4)
    # 8 Ah times the mean of the rest voltages 58 V and 52 V, over 10 km.
    assert revision["consumption"]["wh_per_km"] == pytest.approx(8.0 * 55.0 / 10.0)
    assert revision["consumption"]["sessions"] == 1
    # What the phone counts at where it sees nothing: the fastest of these rides, 10 km in its runtime.
    assert revision["consumption"]["speed_mps"] == pytest.approx(10_000.0 / session.runtime_s)
    # One declared doubt of the pack for server and phone (calc.session_facts).
    assert revision["pack"]["u_energy_wh"] == pytest.approx(0.05 * 2 * 12.0 * 50.4)
    assert data["venues"][0]["gates"][0]["positions_m"] == [0.0, 100.0]
    assert data["modes"][0]["counts"] == {str(session.revision.vehicle_id): 1}
    assert len(data["going"]) == 1
    assert data["cards"][0]["items"][0]["item"]["what"] == "Six passes"
    assert data["account"]["may_log"] is True
    # 1 mph = 1609.344 m / 3600 s (NIST SP 811 (2008), B.8).
    assert data["units"]["speed"]["factor"] == pytest.approx(3.6)


def test_a_condition_left_out_last_time_is_the_one_known_before(sign_in, session):
    session.air_temperature_c = -8.0
    session.save()
    later = {"revision": session.revision, "venue": session.venue}
    last = Session.objects.create(**later, started_at=session.started_at + timedelta(hours=2), rider_mass_kg=91.0)
    # A slip of a year is not the last time for ever.
    Session.objects.create(**later, started_at=timezone.now() + timedelta(days=365), rider_mass_kg=60.0)
    data = sign_in("recorder").get("/api/v1/field/").json()["last_time"]
    conditions, conditions_at = data["conditions"], data["conditions_at"]
    assert (conditions["rider_mass_kg"], conditions["air_temperature_c"]) == (91.0, -8.0)
    assert conditions["surface"] == session.surface != ""
    assert datetime.fromisoformat(conditions_at["rider_mass_kg"]) == last.started_at
    assert datetime.fromisoformat(conditions_at["air_temperature_c"]) == session.started_at


def test_the_versions_a_phone_takes_along_are_those_of_the_api(sign_in, session):
    going = Session.objects.create(revision=session.revision, venue=session.venue)
    card = TestCard.objects.create(revision=session.revision, title="Next")
    item = TestCardItem.objects.create(card=card, what="Six passes")
    client = sign_in("recorder")
    data = client.get("/api/v1/field/").json()
    assert data["going"][0]["version"] == client.get(f"/api/v1/sessions/{going.pk}/").headers["ETag"]
    version = client.get(f"/api/v1/test-card-items/{item.pk}/").headers["ETag"]
    assert data["cards"][0]["items"][0]["version"] == version


def test_a_session_of_next_year_is_not_one_that_a_phone_may_join(sign_in, session):
    """A slip in a year made every such session part of each answer, megabytes of them in a large season."""
    now = timezone.now()
    for days in (-2, 30, 365):
        Session.objects.create(revision=session.revision, venue=session.venue, started_at=now + timedelta(days=days))
    ahead = now + timedelta(hours=2)  # By a clock that runs ahead.
    Session.objects.bulk_create(
        Session(revision=session.revision, venue=session.venue, started_at=ahead) for _ in range(MOST_GOING + 5)
    )
    going = sign_in("recorder").get("/api/v1/field/").json()["going"]
    assert len(going) == MOST_GOING
    assert {row["session"]["started_at"][:10] for row in going} == {ahead.astimezone().isoformat()[:10]}


def test_the_greeting_says_who_and_when_and_is_never_kept(sign_in, client, db):
    assert client.get("/api/v1/field/greeting/").status_code == 403
    answer = sign_in("reader").get("/api/v1/field/greeting/")
    assert answer.json()["account"]["may_log"] is False
    assert answer.headers["Cache-Control"] == "no-store"
    assert "firnlog_csrf" in answer.cookies


def test_the_payloads_of_format_1_are_taken_by_the_api(sign_in, records):
    client = sign_in("recorder")
    for record in records:
        answer = client.put(
            f"/api/v1/{record['kind']}/{record['id']}/",
            json.dumps(record["payload"]),
            content_type="application/json",
            headers={"If-None-Match": "*"},
        )
        assert answer.status_code == 201, (record["kind"], answer.content)
    assert Session.objects.get().clock_correction_s == -3600
    assert Pass.objects.get().number == 1


def test_the_file_is_read_in_once_however_often(sign_in, records):
    client = sign_in("recorder")
    first = read_in(client, unsent(records))
    assert [row.outcome for row in first.context["rows"]] == ["stored"] * len(records)
    second = read_in(client, unsent(records))
    assert [row.outcome for row in second.context["rows"]] == ["was there"] * len(records)
    assert "Written by ilo" in second.content.decode()
    assert (Reading.objects.count(), TrackPart.objects.count(), Failure.objects.count()) == (1, 1, 1)


def test_one_bad_record_of_a_file_does_not_keep_the_others_out(sign_in, records):
    records[5]["payload"]["voltage_v"] = 99999
    records.append({"id": "no key", "kind": "venues", "payload": {}})
    records.append({"id": records[0]["id"], "kind": "spells", "payload": {}})
    records.append({"id": records[0]["id"], "kind": "venues", "payload": None})
    rows = read_in(sign_in("recorder"), unsent(records)).context["rows"]
    assert [row.outcome for row in rows] == ["stored"] * 5 + ["refused"] + ["stored"] * 2 + ["refused"] * 3
    assert "at most 1500 V" in rows[5].sentence


def test_a_file_does_not_overwrite_what_was_changed_elsewhere(sign_in, records):
    client = sign_in("recorder")
    read_in(client, unsent(records))
    Reading.objects.update(voltage_v=51.0)
    rows = read_in(client, unsent(records)).context["rows"]
    assert rows[5].outcome == "kept the server's"
    assert Reading.objects.get().voltage_v == 51.0


def test_a_file_brings_nothing_back_that_was_deleted_since_it_was_saved(sign_in, records):
    client = sign_in("builder")
    read_in(client, unsent(records))
    assert client.delete(f"/api/v1/readings/{Reading.objects.get().pk}/").status_code == 200
    rows = read_in(client, unsent(records)).context["rows"]
    assert (rows[5].outcome, rows[5].sentence.partition(" on ")[0]) == ("was deleted", "It was deleted")
    assert not Reading.objects.exists()


def test_photos_and_removals_in_a_file(sign_in, session, reading, picture_file):
    import base64

    key = "10000000-0000-4000-8000-0000000000aa"
    photo = {"id": key, "kind": "photos", "words": "Photo", "payload": {"session": str(session.pk), "caption": "Ice"},
             "bytes": base64.b64encode(picture_file.read()).decode()}  # fmt: skip
    broken = {**photo, "id": "10000000-0000-4000-8000-0000000000ab", "bytes": "!!"}
    gone = {"id": str(reading.pk), "kind": "readings", "action": "remove", "payload": None}
    rows = read_in(sign_in("builder"), unsent([photo, photo, broken, gone, gone])).context["rows"]
    assert [row.outcome for row in rows] == ["stored", "was there", "refused", "removed", "was there"]
    assert Photo.objects.get().caption == "Ice"
    assert not Reading.objects.exists()


@pytest.mark.parametrize(
    "content",
    [b"", b"\xff\xfe", b"[]", b"7", b"{", b'{"firnlog": "unsent"}',
     b'{"firnlog": "unsent", "format": 99, "records": []}', b'{"firnlog": "unsent", "format": 1, "records": {}}',
     b"[" * 100_000, b"<html></html>"],
)  # fmt: skip
def test_other_files_are_refused_with_a_sentence(sign_in, content):
    answer = read_in(sign_in("recorder"), content)
    assert answer.status_code == 422
    assert answer.context["form"].errors["file"]


def test_hostile_records_in_a_file_never_break_the_page(sign_in, session):
    key = "10000000-0000-4000-8000-0000000000ff"
    hostile = [
        {"id": key, "kind": "track-parts", "payload": {"session": str(session.pk), "fixes": fixes}}
        for fixes in ([[1e999, 1, 1, 1]], [[10**400, 1, 1, 1]], [[1, "x", 1, 1]], [[1, 1, 1]], [], "x", [[1, 91, 0, 0]],
                      [[True, 1, 1, 1]], [[2, 1, 1, 1], [1, 1, 1, 1]], [[1, 1, 1, -1]], [[0, 0, 0, 0]] * 2001)
    ]  # fmt: skip
    hostile += [{"id": key, "kind": "sessions", "payload": {"revision": [], "venue": {}}}, {"id": key, "kind": []}, {}]
    rows = read_in(sign_in("recorder"), unsent(hostile)).context["rows"]
    assert {row.outcome for row in rows} == {"refused"}
    assert not TrackPart.objects.exists()


def test_a_no_needs_its_reason_also_in_the_database(session):
    answers = dict.fromkeys(GoNoGoCheck.ITEMS, "yes") | {"helmet": "no"}
    check = GoNoGoCheck(session=session, **answers)
    with pytest.raises(ValidationError, match="why you went on"):
        check.full_clean()
    with pytest.raises(IntegrityError), transaction.atomic():
        check.save()
    check.reason_to_go_on = "Pushed by hand"
    check.full_clean()
    check.save()
    assert check.missing == ["helmet on"]


def test_the_session_page_tells_check_card_clock_and_track(sign_in, session):
    answers = dict.fromkeys(GoNoGoCheck.ITEMS, "yes") | {"helmet": "no"}
    GoNoGoCheck.objects.create(session=session, reason_to_go_on="Pushed by hand", **answers)
    card = TestCard.objects.create(revision=session.revision, title="Cold day")
    TestCardItem.objects.create(card=card, what="Six passes", outcome="done", session=session)
    TrackPart.objects.create(session=session, fixes=[[0, 60.0, 25.0, 5], [20, 60.0009, 25.0, 5]])
    Session.objects.filter(pk=session.pk).update(clock_correction_s=-7200, distance_m=None)
    page = sign_in("recorder").get(f"/sessions/{session.pk}/").content.decode()
    for words in ("Started without: helmet on", "Pushed by hand", "Six passes, done", "−2 h 0 min", "0.1003 km"):
        assert words in page
    link = re.search(r'href="(/sessions/[^"]+distance_m=100&amp;[^"]+)"', page).group(1).replace("&amp;", "&")
    assert 'value="0.1"' in sign_in("builder").get(link).content.decode()


def test_a_track_leaves_noise_out_and_names_its_gaps(session):
    still = [[t, 60.0, 25.0, 4.0] for t in range(0, 20, 2)]
    wild = [[21, 61.0, 25.0, 900.0]]
    moved = [[90, 60.0009, 25.0, None]]
    TrackPart.objects.create(session=session, fixes=still + wild)
    TrackPart.objects.create(session=session, fixes=moved, first_fix_s=90.0, stopped_by_phone=True)
    track = track_of(session.track_parts.all())
    # geographiclib 2.1, WGS84: 0.0009° of latitude at 60° is 100.271 m.
    assert track.length_m == pytest.approx(100.271, abs=0.01)
    assert track.gaps == [(18, 90)]
    assert track.stopped_by_phone
    assert track_of([]) is None


def test_a_card_is_written_ticked_and_keeps_its_ticks_when_it_is_edited(sign_in, revision, session):
    client = sign_in("builder")
    form = {
        "revision": revision.pk,
        "title": "Cold day",
        "items": "Six passes — faster?\nRest voltage",
        "limits": "40 km/h",
    }
    made = client.post("/test-cards/new/", form)
    card = TestCard.objects.get()
    assert made.url == card.get_absolute_url()
    first, second = card.items.all()
    assert (first.what, first.why, second.what) == ("Six passes", "faster?", "Rest voltage")
    TestCardItem.objects.filter(pk=first.pk).update(outcome="done", session=session)
    form["items"] = "Coast-down\nSix passes — faster?"
    edit = f"/test-cards/{card.pk}/edit/"
    client.post(edit, {**opened(client, edit), **form})
    assert [(item.what, item.outcome) for item in card.items.all()] == [("Coast-down", "open"), ("Six passes", "done")]
    assert "Test lake" in client.get(card.get_absolute_url()).content.decode()
    form["items"] = "x" * 301
    answer = client.post("/test-cards/new/", form)
    assert answer.status_code == 422
    assert "The line is too long" in str(answer.context["form"].errors["items"])


def test_an_item_belongs_to_its_own_machine(session, revision):
    from datetime import date

    from buildlog.models import Revision, Vehicle

    other = Revision.objects.create(vehicle=Vehicle.objects.create(name="Kart"), number=1, date=date(2026, 1, 1))
    item = TestCardItem(
        card=TestCard.objects.create(revision=other, title="x"), what="y", outcome="done", session=session
    )
    with pytest.raises(ValidationError, match="another machine"):
        item.full_clean()
    item.outcome = "open"
    with pytest.raises(IntegrityError), transaction.atomic():
        item.save()


def test_passes_without_a_number_get_the_next(session, gate):
    for _ in range(3):
        Pass.objects.create(session=session, gate=gate, duration_s=7.0)
    assert list(session.passes.values_list("number", flat=True)) == [1, 2, 3]


def test_modes_of_other_machines_are_known_too(sign_in, revision):
    FailureMode.objects.create(name="belt slipped")
    data = sign_in("recorder").get("/api/v1/field/").json()
    assert data["modes"] == [{"id": str(FailureMode.objects.get().pk), "name": "belt slipped", "counts": {}}]


def test_a_change_in_a_phones_file_brings_only_the_changed_fields(sign_in, session):
    client = sign_in("recorder")
    path = f"/api/v1/sessions/{session.pk}/"
    whole = client.get(path).json()
    version = whole.pop("version")
    changed = {**whole, "rest_voltage_end_v": 51.5, "notes": "as the phone still had them"}
    record = {"id": str(session.pk), "kind": "sessions", "action": "put", "base": version, "fresh": False}
    record |= {"words": "Session", "payload": changed, "changed": ["rest_voltage_end_v"]}
    Session.objects.filter(pk=session.pk).update(notes="")
    record["base"] = client.get(path).json()["version"]
    read_in(client, unsent([record]))
    session.refresh_from_db()
    assert (session.rest_voltage_end_v, session.notes) == (51.5, "")
    # A change of a record that is gone is no new record by itself.
    Session.objects.filter(pk=session.pk).delete()
    answer = read_in(client, unsent([record]))
    assert "removed elsewhere" in answer.content.decode()
    assert not Session.objects.filter(pk=session.pk).exists()
