"""A doubt goes with every result that rests on it, and makes no guard less careful."""

from dataclasses import replace

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from buildlog.models import Failure, FailureMode, Fitting
from calc.doubts.careful_results import AN_ANSWER, HIGHER, LOWER, LOWER_OR_NONE, careful_report
from calc.results import RESULTS
from sessions.evidence.doubtful_rides import doubtful_in
from sessions.evidence.doubts import doubts_of_machine
from sessions.evidence.left_out import LeftOut
from sessions.evidence.season import Season
from sessions.models import Pass, Reading, Session
from tests.calc.one_session import evaluate
from tests.calc.test_session_report import WHOLE

NOTED = replace(WHOLE, rest_voltage_end_v=None)


def of_both(whole, beyond):
    return careful_report(evaluate(whole), evaluate(beyond))


@pytest.mark.parametrize(("charge_ah", "is_lower"), [(20.0, True), (4.0, False)])
def test_the_way_to_turn_back_is_the_lower_of_with_and_without(charge_ah, is_lower):
    noted = replace(NOTED, energy_used_wh=None, charge_used_ah=charge_ah)
    without = replace(NOTED, energy_used_wh=33.0)
    report = of_both(noted, without)
    lower = evaluate(noted if is_lower else without)
    for key in ("energy_left", "remaining_range", "turn_back_distance"):
        assert report.get(key).value == lower.get(key).value, key
        assert report.get(key).doubt
    assert report.get("energy_used").value == evaluate(noted).get("energy_used").value


def test_where_one_of_both_is_unknown_nobody_is_sent_on():
    report = of_both(NOTED, replace(NOTED, energy_used_wh=None, charge_used_ah=None))
    for key in ("energy_left", "turn_back_distance", "remaining_range", "range"):
        assert report.get(key) is None
        assert [row.needs for row in report.missing if row.key == key] == [(AN_ANSWER,)]
    assert "Turn-back distance" in report.in_doubt


def test_a_margin_is_the_lower_of_both_and_warns_all_the_same():
    hot = replace(NOTED.readings[1], motor_temperature_c=140.0)
    noted = replace(NOTED, readings=(NOTED.readings[0], hot, NOTED.readings[2]))
    report = of_both(noted, NOTED)
    assert report.get("motor_temperature_margin").value == pytest.approx(-40.0)
    assert report.get("motor_temperature_margin").alarm.is_over
    # Without the reading the margin is the smaller one: another was hotter than it says.
    cool = replace(NOTED.readings[1], motor_temperature_c=6.0)
    noted = replace(NOTED, readings=(NOTED.readings[0], cool, NOTED.readings[2]))
    assert of_both(noted, NOTED).get("motor_temperature_margin").value == pytest.approx(40.0)
    # It stands where only one of both knows it.
    bare = replace(NOTED, readings=())
    assert of_both(bare, NOTED).get("motor_temperature_margin").value == pytest.approx(40.0)
    assert of_both(NOTED, bare).get("motor_temperature_margin").value == pytest.approx(40.0)


def test_the_stopping_distance_is_the_longer_of_both():
    slow, fast = (replace(NOTED, passes=(replace(NOTED.passes[0], duration_s=seconds),)) for seconds in (10.0, 8.0))
    longer = evaluate(fast).get("stopping_distance").value
    assert of_both(slow, fast).get("stopping_distance").value == longer
    assert of_both(fast, slow).get("stopping_distance").value == longer


def test_results_without_a_doubt_are_as_they_were():
    report = of_both(WHOLE, WHOLE)
    assert report.results == evaluate(WHOLE).results
    assert (report.in_doubt, report.missing) == ((), ())


def test_every_guard_is_a_result():
    assert set(LOWER_OR_NONE) | set(LOWER) | set(HIGHER) <= set(RESULTS)
    assert "motor_temperature_margin" in LOWER


pytestmark = pytest.mark.django_db


@pytest.fixture
def hurried(session, gate):
    Session.objects.filter(pk=session.pk).update(runtime_s=35.0)
    Pass.objects.create(session=session, gate=gate, number=1, duration_s=7.0)
    session.refresh_from_db()
    return session


def confirm(client, session):
    rules = {"rule": ["mean_speed_over_best_pass", "mean_speed_range"], "reason": "Downhill, with a tow."}
    client.post(f"/doubts/session/{session.pk}/confirm/", rules)


def test_page_and_interface_name_what_rests_on_a_doubtful_value(sign_in, hurried):
    client = sign_in("recorder")
    page = client.get(hurried.get_absolute_url())
    assert "Mean speed of the ride" in page.context["report"].in_doubt
    assert "Charge used" not in page.context["report"].in_doubt
    assert "In doubt, because a value above is:" in page.content.decode()
    assert "Rests on a value in doubt" in page.content.decode()
    answer = client.get(f"/api/v1/sessions/{hurried.pk}/results/").json()
    in_doubt = {row["label"] for row in answer["results"] if "doubt" in row}
    withheld = {row["label"] for row in answer["missing"] if row["needs"] == [AN_ANSWER]}
    assert in_doubt | withheld == set(page.context["report"].in_doubt)
    assert {row["rule"] for row in answer["doubts"]} >= {"mean_speed_over_best_pass"}
    assert {row["record"] for row in answer["doubts"]} == {str(hurried.pk)}
    confirm(client, hurried)
    assert not client.get(hurried.get_absolute_url()).context["report"].in_doubt
    answer = client.get(f"/api/v1/sessions/{hurried.pk}/results/").json()
    assert answer["doubts"] == []
    assert not any("doubt" in row for row in answer["results"])


def test_a_pass_in_doubt_is_marked_in_its_row(sign_in, session, gate):
    for number, seconds in enumerate((7.0, 7.2, 7.3, 0.72), start=1):
        Pass.objects.create(session=session, gate=gate, number=number, duration_s=seconds)
    page = sign_in("reader").get(session.get_absolute_url())
    assert [row.in_doubt for row in page.context["passes"]] == [False, False, False, True]
    assert page.content.decode().count('<span class="reason small">in doubt</span></td>') == 1


def test_a_distance_in_doubt_is_unknown_to_comparisons_and_to_exposure(hurried):
    Session.objects.create(revision=hurried.revision, venue=hurried.venue, distance_m=5000.0)
    season = Season(hurried.revision.vehicle)
    assert not np.isnan(season.numbers["distance_m"]).any()
    doubts = doubts_of_machine(hurried.revision.vehicle)
    beyond = season.without_doubtful(LeftOut(doubts))
    [row] = np.flatnonzero(np.isnan(beyond.numbers["distance_m"]))
    assert doubtful_in(doubts)["distance_m"] == {beyond.key(int(row)).hex}


def test_pushed_readings_are_stored_and_come_with_their_doubts(sign_in, session, battery):
    Fitting.objects.create(revision=session.revision, part=battery, quantity=1, series=1, parallel=1)
    rows = [
        {"session": str(session.pk), "time_into_session_s": 60.0, "voltage_v": 54.0},
        {"session": str(session.pk), "time_into_session_s": 120.0, "voltage_v": 53_900.0 / 100},
        {"session": str(session.pk), "time_into_session_s": 180.0, "voltage_v": "no number"},
    ]
    fine, odd, refused = sign_in("recorder").post("/api/v1/readings/", rows, content_type="application/json").json()
    assert (fine["outcome"], fine["doubts"]) == ("stored", [])
    assert odd["outcome"] == "stored"
    assert "voltage_v" in odd["doubts"][0]["facts"]
    assert refused["outcome"] == "refused"
    assert "doubts" not in refused
    assert Reading.objects.count() == 2


def test_a_list_has_the_doubts_of_its_records_where_it_is_asked_for_them(sign_in, hurried, gate):
    client = sign_in("reader")
    Failure.objects.create(revision=hurried.revision, mode=FailureMode.called("belt slipped"), severity=3)
    Pass.objects.create(session=hurried, gate=gate, number=2, duration_s=0.07)
    Session.objects.create(revision=hurried.revision, venue=hurried.venue)
    for kind in ("sessions", "passes", "readings", "failures", "revisions", "venues"):
        plain = client.get(f"/api/v1/{kind}/").json()["results"]
        assert not any("doubts" in row for row in plain)
        listed = client.get(f"/api/v1/{kind}/?doubts=true").json()["results"]
        for row in listed:
            alone = client.get(f"/api/v1/{kind}/{row['id']}/").json()
            assert row.get("doubts") == alone.get("doubts"), kind
    doubted = client.get("/api/v1/sessions/?doubts=true").json()["results"]
    assert sorted(bool(row["doubts"]) for row in doubted) == [False, True]


def test_doubts_of_a_list_take_the_same_queries_for_any_number(sign_in, hurried):
    client = sign_in("reader")
    counts = []
    for more in (2, 30):
        Session.objects.bulk_create(
            Session(revision=hurried.revision, venue=hurried.venue, runtime_s=5.0, distance_m=9e3) for _ in range(more)
        )
        with CaptureQueriesContext(connection) as captured:
            assert client.get("/api/v1/sessions/?doubts=true").status_code == 200
        counts.append(len(captured))
    assert counts[0] == counts[1] <= 20
