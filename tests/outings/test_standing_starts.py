"""A pass timed from rest is stored as what it is, shown, and compared with no flying one."""

import importlib
import io
import json
import uuid

import pytest
from django.apps import apps
from django.db import IntegrityError, connection, transaction

from sessions.demo import loading, season
from sessions.models import Pass
from sessions.outings.models.outings import STANDING_START
from sessions.sharing import archive
from tests.filled_forms import opened


@pytest.fixture
def builder(sign_in):
    return sign_in("builder")


def typed(client, session, **fields):
    path = f"/sessions/{session.pk}/new-pass/"
    return client.post(path, opened(client, path) | {"duration_s": "9.4", **fields})


def sent(client, session, gate, key=None, **fields):
    body = {"session": str(session.pk), "gate": str(gate.pk), "method": "stopwatch", "duration_s": 9.4, **fields}
    address = f"/api/v1/passes/{key or uuid.uuid4()}/"
    return client.put(address, json.dumps(body), content_type="application/json")


def how(run):
    return Pass.objects.values_list("start", "valid", "invalid_reason").get(pk=run.pk)


def test_the_form_takes_one_although_it_counts_is_ticked(builder, session, gate):
    assert typed(builder, session, gate=str(gate.pk), start="standing").status_code == 302
    run = Pass.objects.get()
    assert how(run) == ("standing", False, STANDING_START)
    page = builder.get(session.get_absolute_url()).content.decode()
    assert f"does not count: {STANDING_START}" in page
    for shown in (page, builder.get("/passes/").content.decode(), builder.get("/passes/?export=csv").content.decode()):
        assert "38.3" not in shown  # 9.4 s over 100 m, in km/h
        assert "10.63" not in shown  # the same in m/s
    path = f"/sessions/passes/{run.pk}/edit/"
    refused = builder.post(path, opened(builder, path) | {"valid": "on"})
    assert refused.status_code == 422
    assert "A standing start counts for no speed" in refused.content.decode()
    assert builder.post(path, opened(builder, path) | {"start": ""}).status_code == 302
    assert how(run) == ("", True, "")


def test_the_api_takes_one(builder, session, gate):
    answer = sent(builder, session, gate, start="standing")
    assert answer.status_code == 201
    stored = answer.json()
    assert (stored["start"], stored["valid"], stored["invalid_reason"]) == ("standing", False, STANDING_START)
    address = f"/api/v1/passes/{stored['id']}/"
    refused = builder.patch(
        address, json.dumps({"valid": True, "version": stored["version"]}), content_type="application/json"
    )
    assert refused.status_code == 400
    assert "counts for no speed" in refused.json()["valid"][0]
    flying = builder.patch(
        address, json.dumps({"start": "", "version": stored["version"]}), content_type="application/json"
    )
    assert (flying.json()["start"], flying.json()["valid"], flying.json()["invalid_reason"]) == ("", True, "")


def test_a_phone_s_page_of_an_earlier_version_says_it_by_the_reason_alone(builder, session, gate):
    answer = sent(builder, session, gate, valid=False, invalid_reason=STANDING_START)
    assert answer.json()["start"] == "standing"


def test_a_flying_pass_has_the_version_it_had_before(builder, session, gate, timed_pass):
    """Phones hold versions of what they sent; a new field must not make them all conflict."""
    from buildlog.records.put_record import version_of

    stored = builder.get(f"/api/v1/passes/{timed_pass.pk}/").json()
    before = {name: value for name, value in stored.items() if name != "start"}
    assert stored["start"] == ""
    assert version_of(before) == stored["version"]


def test_no_speed_of_the_session_and_no_comparison_takes_it(builder, session, gate, timed_pass):
    """5 s over 100 m are 20 m/s; 9.4 s from rest would pull the mean to 15.3."""

    def mean():
        return builder.get(f"/api/v1/sessions/{session.pk}/results/").json()

    before = mean()
    sent(builder, session, gate, start="standing")
    after = mean()
    assert after["results"] == before["results"]
    comparison = f"/api/v1/vehicles/{session.revision.vehicle_id}/comparison/"
    compared = builder.get(comparison).json()
    Pass.objects.filter(start="standing").delete()
    assert builder.get(comparison).json() == compared


def test_the_list_lets_no_standing_start_count(builder, session, gate):
    sent(builder, session, gate, start="standing")
    run = Pass.objects.get()
    page = builder.post("/passes/count/", {"pass": [str(run.pk)], "counts": "yes"}, follow=True).content.decode()
    assert "1 is a standing start, which counts for no speed" in page
    assert how(run) == ("standing", False, STANDING_START)


def test_the_database_keeps_the_rule_too(timed_pass):
    with pytest.raises(IntegrityError), transaction.atomic():
        Pass.objects.filter(pk=timed_pass.pk).update(start="standing")


def test_passes_of_before_are_named_by_their_reason(timed_pass):
    other = Pass.objects.create(
        session=timed_pass.session, gate=timed_pass.gate, duration_s=9.0, valid=False, invalid_reason=STANDING_START
    )
    module = importlib.import_module("sessions.migrations.0041_standing_starts")

    class Editor:
        pass

    Editor.connection = connection
    module.name_standing_starts(apps, Editor)
    assert how(other)[0] == "standing"
    assert how(timed_pass)[0] == ""


def test_an_archive_takes_it_along(builder, session, gate):
    sent(builder, session, gate, start="standing")
    run = Pass.objects.get()
    packed = io.BytesIO()
    archive.export_machine(session.revision.vehicle, packed)
    key = run.pk
    run.delete()
    run.pk = key
    archive.import_machine(packed, len(packed.getvalue()))
    assert how(run) == ("standing", False, STANDING_START)


def test_the_demo_has_one_labelled_as_invented(db):
    loading.load()
    run = Pass.objects.get(start="standing")
    assert run.invalid_reason == STANDING_START
    assert "Invented" in run.session.notes
    flying = run.session.passes.filter(valid=True, method="stopwatch").order_by("duration_s").last()
    assert run.duration_s > (flying.duration_s if flying else 0)
    assert (run.session.revision.number,) == season.FROM_REST[:1]
