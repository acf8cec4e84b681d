"""Doubts of stored records: on pages, in the API, in files; mended, confirmed, and asked again."""

import io
import json
import re
import uuid
from datetime import timedelta

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext

from buildlog.models import Confirmation, Failure, FailureMode, Fitting, Part, Revision, Vehicle
from buildlog.records.list_pages import ROWS_AT_ONCE
from sessions.demo import loading
from sessions.evidence.doubt_checks import _before
from sessions.evidence.doubts import by_record, doubts_about, doubts_of_machine
from sessions.evidence.season import Season
from sessions.models import Pass, Reading, Session
from tests.evidence.doubted import confirm, keys

pytestmark = pytest.mark.django_db


SENTENCE = "The mean speed would be"


def mend(client, session, **fields):
    sent = {"rule": "mean_speed_over_best_pass", "fact": "runtime_s", "slip": "minutes_for_seconds", **fields}
    return client.post(f"/doubts/session/{session.pk}/mend/", sent, follow=True)


def test_the_demo_is_doubted_only_where_it_was_planted():
    loading.load()
    doubts = doubts_of_machine(Vehicle.objects.get())
    [planted] = doubts.listed()
    assert (planted.subject, planted.doubt.key) == ("session", "ice_thickness")
    assert doubts.open_count == 1
    assert "it was in mm, not cm" in planted.doubt.mends[0].words()


def test_a_pass_is_doubted_by_what_it_is_held_against_alone(hurried):
    """The phone waits for this answer: no reading, no log, no other revision and no other session is read for it."""
    for number in range(2, 9):
        Revision.objects.create(vehicle=hurried.revision.vehicle, number=number, date="2026-01-01")
    timed = Pass.objects.select_related("session").get()
    with CaptureQueriesContext(connection) as captured:
        assert doubts_about(timed).listed_of(timed) == []
    assert len(captured) == 4
    tables = " ".join(query["sql"] for query in captured)
    assert not any(f'FROM "test_sessions_{name}"' in tables for name in ("reading", "log"))


def test_doubts_of_a_machine_are_asked_of_evidence_that_is_at_hand(hurried):
    season = Season(hurried.revision.vehicle)
    assert len(season.reports) == 1
    with CaptureQueriesContext(connection) as captured:
        assert {doubt.doubt.key for doubt in doubts_of_machine(season.vehicle, season).listed()}
    # Failures and confirmations; sessions, passes, readings and logs were read.
    assert len(captured) == 2


def test_what_was_read_before_is_of_the_same_session():
    values = np.array([np.nan, 1.0, np.nan, 2.0, np.nan, 3.0, np.nan])
    owner = np.array([0, 0, 0, 0, 1, 1, 1])
    np.testing.assert_array_equal(_before(values, owner), [np.nan, np.nan, 1.0, 1.0, np.nan, np.nan, 3.0])
    assert _before(np.empty(0), np.empty(0, dtype=int)).size == 0


def test_a_form_stores_first_and_then_asks(sign_in, session, gate):
    Pass.objects.create(session=session, gate=gate, number=1, duration_s=7.0)
    client = sign_in("recorder")
    form = client.get(f"/sessions/{session.pk}/edit/").context["form"]
    sent = {name: form[name].value() for name in form.fields if form[name].value() is not None}
    page = client.post(f"/sessions/{session.pk}/edit/", {**sent, "runtime_s": "35 s"}, follow=True)
    session.refresh_from_db()
    assert session.runtime_s == 35.0
    text = page.content.decode()
    assert SENTENCE in text
    assert text.index("Can this be?") < text.index("key-facts")
    assert "Runtime 35 min: it was in minutes, not seconds" in text


def test_one_tap_changes_the_field_and_says_so(sign_in, hurried, caplog):
    client = sign_in("recorder")
    page = mend(client, hurried, back=hurried.get_absolute_url())
    hurried.refresh_from_db()
    assert hurried.runtime_s == 2100.0
    assert "Runtime changed from 35 s to 35 min" in page.content.decode()
    assert SENTENCE not in page.content.decode()
    assert keys(hurried.revision.vehicle) == set()


def test_a_mend_that_was_not_offered_changes_nothing(sign_in, hurried):
    client = sign_in("recorder")
    for odd in ({"slip": "tenth"}, {"fact": "notes"}, {"rule": "wind"}, {"slip": ""}, {"fact": "x" * 5000}):
        page = mend(client, hurried, **odd)
        assert "Nothing was changed" in page.content.decode()
    hurried.refresh_from_db()
    assert hurried.runtime_s == 35.0


def test_the_answer_leads_back_to_this_site_only(sign_in, hurried):
    client = sign_in("recorder")
    for page in ("https://elsewhere.example/", "//elsewhere.example/", "\\\\elsewhere.example"):
        sent = {"rule": "x", "back": page}
        assert client.post(f"/doubts/session/{hurried.pk}/mend/", sent)["Location"] == hurried.get_absolute_url()


def test_it_is_so_is_kept_with_reason_name_and_time(sign_in, hurried):
    page = confirm(sign_in("recorder"), hurried)
    rows = Confirmation.objects.all()
    assert {row.rule for row in rows} == {"mean_speed_over_best_pass", "mean_speed_range"}
    assert {(row.reason, row.confirmed_by, row.made_by.username) for row in rows} == {
        ("Downhill, with a tow.", "recorder", "recorder")
    }
    assert all(row.confirmed_at for row in rows)
    assert SENTENCE not in page.content.decode()
    listed = sign_in("reader").get(f"/vehicles/{hurried.revision.vehicle_id}/doubts/").content.decode()
    assert "It is so: Downhill, with a tow. (recorder," in listed


def test_it_is_so_needs_a_reason(sign_in, hurried):
    page = confirm(sign_in("recorder"), hurried, reason="  ")
    assert "Say why it is so" in page.content.decode()
    assert not Confirmation.objects.exists()


def test_a_change_of_the_value_asks_again(sign_in, hurried):
    confirm(sign_in("recorder"), hurried)
    assert keys(hurried.revision.vehicle) == set()
    Session.objects.filter(pk=hurried.pk).update(runtime_s=36.0)
    assert ("session", "mean_speed_over_best_pass") in keys(hurried.revision.vehicle)
    Session.objects.filter(pk=hurried.pk).update(runtime_s=35.0, notes="Something else changed.")
    assert keys(hurried.revision.vehicle) == set()


def test_a_confirmation_can_be_taken_back(sign_in, hurried):
    client = sign_in("recorder")
    confirm(client, hurried)
    for confirmation in Confirmation.objects.all():
        client.post(f"/doubts/{confirmation.pk}/ask-again/")
    assert ("session", "mean_speed_over_best_pass") in keys(hurried.revision.vehicle)


def test_confirming_twice_keeps_one(sign_in, hurried):
    client = sign_in("recorder")
    confirm(client, hurried)
    Session.objects.filter(pk=hurried.pk).update(runtime_s=34.0)
    confirm(client, hurried, reason="Read again.")
    assert Confirmation.objects.filter(rule="mean_speed_range").get().reason == "Read again."


def test_a_recorder_answers_for_no_build(sign_in, revision):
    revision.wheelbase_m = 18.0
    revision.save()
    client = sign_in("recorder")
    assert client.post(f"/doubts/build/{revision.pk}/confirm/", {"rule": "wheelbase", "reason": "x"}).status_code == 403
    assert client.post(f"/doubts/nothing/{revision.pk}/confirm/", {}).status_code == 404
    assert client.post(f"/doubts/session/{uuid.uuid4()}/confirm/", {}).status_code == 404


def test_a_build_is_doubted_on_its_page_and_its_part_is_mended(sign_in, revision, battery):
    Fitting.objects.create(revision=revision, part=battery, quantity=1, series=1, parallel=1)
    Part.objects.filter(pk=battery.pk).update(specification={**battery.specification, "capacity_ah": 12000.0})
    client = sign_in("builder")
    page = client.get(revision.get_absolute_url()).content.decode()
    assert "more than any cell sold" in page
    sent = {"rule": "module_specific_energy", "fact": "module_capacity_ah", "slip": "milliampere_hours"}
    page = client.post(f"/doubts/build/{revision.pk}/mend/", sent, follow=True).content.decode()
    battery.refresh_from_db()
    assert battery.specification["capacity_ah"] == 12.0
    assert "Capacity of a module changed from 12000 Ah to 12 Ah" in page


def test_what_a_doubtful_build_says_is_compared_with_nothing(revision, session, battery):
    Fitting.objects.create(revision=revision, part=battery, quantity=1, series=1, parallel=1)
    assert keys(revision.vehicle) == set()
    Part.objects.filter(pk=battery.pk).update(specification={**battery.specification, "capacity_ah": 0.012})
    assert {subject for subject, _ in keys(revision.vehicle)} == {"build"}


def test_each_kind_of_record_says_its_doubts_in_the_api(sign_in, session, gate, revision):
    client = sign_in("builder")

    def put(kind, body):
        key = uuid.uuid4()
        answer = client.put(f"/api/v1/{kind}/{key}/", json.dumps(body), content_type="application/json")
        assert answer.status_code == 201, answer.content
        read = client.get(f"/api/v1/{kind}/{key}/")
        assert read.json() == answer.json()
        assert read["ETag"] == answer["ETag"]
        return {doubt["rule"] for doubt in answer.json()["doubts"]}

    base = {"session": str(session.pk)}
    assert put("passes", {**base, "gate": str(gate.pk), "duration_s": 733}) == {"pass_speed"}
    assert put("readings", {**base, "time_into_session_s": 60, "battery_temperature_c": 150}) == {
        "battery_temperature_range"
    }
    mode = FailureMode.called("chain came off")
    failure = {"revision": str(revision.pk), "mode": str(mode.pk), "severity": 3, **base}
    assert "failure_beyond_distance" in put("failures", {**failure, "distance_into_session_m": 12_000_000 / 3})
    outing = {"revision": str(revision.pk), "venue": str(session.venue_id), "rider_mass_kg": 780 / 2}
    assert put("sessions", outing) == {"rider_mass"}
    build = {"vehicle": str(revision.vehicle_id), "number": 2, "date": "2026-01-20", "wheelbase_m": 14.5}
    assert put("revisions", build) == {"wheelbase"}


def test_a_change_by_patch_and_a_new_record_by_post_are_asked_too(sign_in, session):
    client = sign_in("builder")
    stored = client.get(f"/api/v1/sessions/{session.pk}/").json()
    assert stored["doubts"] == []
    change = {"ice_thickness_cm": 380, "version": stored["version"]}
    answer = client.patch(f"/api/v1/sessions/{session.pk}/", json.dumps(change), content_type="application/json")
    assert answer.status_code == 200
    [doubt] = answer.json()["doubts"]
    assert doubt["class"] == "unlikely"
    assert doubt["facts"] == ["ice_thickness_cm"]
    assert doubt["sentence"] == "380 cm of ice is more than lakes have."
    assert {"field": "ice_thickness_cm", "value": 38.0, "slip": "millimetres",
            "words": "Ice thickness 38 cm: it was in mm, not cm"} in doubt["mends"]  # fmt: skip
    # What a phone answers with: the mend, with the version that it began from.
    mended = {"ice_thickness_cm": 38.0, "version": answer.json()["version"]}
    answer = client.patch(f"/api/v1/sessions/{session.pk}/", json.dumps(mended), content_type="application/json")
    assert answer.json()["doubts"] == []
    body = {"session": str(session.pk), "time_into_session_s": 10, "voltage_v": 1200}
    posted = client.post("/api/v1/readings/", json.dumps(body), content_type="application/json")
    assert [doubt["rule"] for doubt in posted.json()["doubts"]] == ["reading_voltage_range"]


def test_doubts_are_no_part_of_a_record_s_version(sign_in, hurried):
    client = sign_in("recorder")
    before = client.get(f"/api/v1/sessions/{hurried.pk}/").json()
    confirm(client, hurried)
    after = client.get(f"/api/v1/sessions/{hurried.pk}/").json()
    assert before["doubts"] != after["doubts"] == []
    assert before["version"] == after["version"]
    again = client.put(f"/api/v1/sessions/{hurried.pk}/", json.dumps(before), content_type="application/json")
    assert again.status_code == 200


def test_a_failure_without_a_session_is_asked_too(sign_in, revision):
    failure = Failure.objects.create(revision=revision, mode=FailureMode.called("runner bent"), severity=4)
    Failure.objects.filter(pk=failure.pk).update(happened_at=failure.happened_at + timedelta(days=40))
    page = sign_in("reader").get(failure.get_absolute_url()).content.decode()
    assert "It fails 40 days from now." in page
    # Somebody who only reads is offered no buttons.
    assert "It is so" not in page


def test_an_unsent_file_says_what_is_doubted(sign_in, session):
    records = [
        {"kind": "readings", "id": str(uuid.uuid4()), "words": "Reading", "payload": {
            "session": str(session.pk), "time_into_session_s": 60, "battery_temperature_c": 150}},
        {"kind": "readings", "id": str(uuid.uuid4()), "words": "Another", "payload": {
            "session": str(session.pk), "time_into_session_s": 90, "battery_temperature_c": 15}},
    ]  # fmt: skip
    content = json.dumps({"firnlog": "unsent", "format": 1, "records": records}).encode()
    page = sign_in("recorder").post("/field/read-in/", {"file": SimpleUploadedFile("unsent.json", content)})
    text = page.content.decode()
    assert Reading.objects.count() == 2
    assert text.count("The battery would be at 150 °C") == 1


def test_an_archive_carries_confirmations_without_names_and_says_its_doubts(sign_in, hurried):
    from sessions.sharing.archive import export_machine

    client = sign_in("builder")
    confirm(client, hurried, rules=("mean_speed_range",))
    packed = io.BytesIO()
    export_machine(hurried.revision.vehicle, packed)
    assert b"builder" not in packed.getvalue()
    Confirmation.objects.all().delete()
    hurried.passes.all().delete()
    hurried.delete()
    hurried.revision.vehicle.delete()
    page = client.post(
        "/vehicles/read-archive/", {"file": SimpleUploadedFile("machine.zip", packed.getvalue())}, follow=True
    )
    assert "Can this be?" in page.content.decode()
    assert SENTENCE in page.content.decode()
    restored = Confirmation.objects.get()
    assert (restored.rule, restored.confirmed_by, restored.made_by) == ("mean_speed_range", "", None)
    assert ("session", "mean_speed_range") not in keys(Vehicle.objects.get())


def test_the_list_takes_the_same_queries_for_any_number_of_sessions(sign_in, session, gate):
    client = sign_in("reader")
    counts = []
    for more in (1, 30):
        for number in range(more):
            made = Session.objects.create(
                revision=session.revision, venue=session.venue, runtime_s=5.0 + number, distance_m=9000.0 + more
            )
            Pass.objects.create(session=made, gate=gate, duration_s=7.0 + number / 10)
            Reading.objects.create(session=made, time_into_session_s=5, voltage_v=54)
        with CaptureQueriesContext(connection) as captured:
            assert client.get(f"/vehicles/{session.revision.vehicle_id}/doubts/").status_code == 200
        counts.append(len(captured))
    assert counts[0] == counts[1] <= 18


def test_machine_page_leads_to_its_doubts(sign_in, revision):
    assert (
        f"/vehicles/{revision.vehicle_id}/doubts/"
        in sign_in("reader").get(f"/vehicles/{revision.vehicle_id}/").content.decode()
    )


def test_masks_name_the_facts_that_results_must_leave_out(hurried, session, sign_in):
    doubts = doubts_of_machine(hurried.revision.vehicle)
    masks = doubts.facts_in_doubt("session")
    assert set(masks) == {"runtime_s", "distance_m"}
    assert masks["runtime_s"].tolist() == [True]
    confirm(sign_in("recorder"), hurried)
    assert doubts_of_machine(hurried.revision.vehicle).facts_in_doubt("session") == {}


def test_doubts_come_a_page_at_a_time(sign_in, session):
    """Of a machine with thousands, one page of them is put into words; a record that was answered keeps its place."""
    made = [
        Session.objects.create(
            revision=session.revision, venue=session.venue, runtime_s=5.0, distance_m=9000.0,
            started_at=session.started_at + timedelta(days=number + 1),
        )
        for number in range(2 * ROWS_AT_ONCE + 7)
    ]  # fmt: skip
    client, address = sign_in("recorder"), f"/vehicles/{session.revision.vehicle_id}/doubts/"

    def shown(asked=""):
        page = client.get(address + asked)
        return [record.doubts[0].record for record in by_record(page.context["doubts"])], page.content.decode()

    def keys_of(sessions):
        return [record.pk for record in sessions]

    first, page = shown()
    assert f"{len(made)} records have" in page
    seen = list(first)
    while following := re.search(r'href="(\?after=[^"]+)">Next<', page):
        rows, page = shown(following[1])
        seen += rows
    assert seen == keys_of(made)
    last, page = shown("?before=end")
    assert last == keys_of(made[-ROWS_AT_ONCE:])
    before = re.search(r'href="(\?before=[^"]+)">Previous<', page)[1]
    assert shown(before)[0] == keys_of(made[-2 * ROWS_AT_ONCE : -ROWS_AT_ONCE])
    for nonsense in ("?after=session_x", "?before=nothing", f"?after=session_{uuid.uuid4().hex}"):
        assert shown(nonsense)[0] == first
    # The record that an address names was mended meanwhile: what comes after it stays where it was.
    Session.objects.filter(pk=made[9].pk).update(runtime_s=3000.0)
    assert shown(f"?after=session_{made[9].pk.hex}")[0] == keys_of(made[10 : 10 + ROWS_AT_ONCE])
