"""What is in doubt is left out of results, and counted."""

from datetime import timedelta

import numpy as np
import pytest

from buildlog.models import Failure, FailureMode, Fitting, Vehicle
from sessions.evidence.doubt_checks import _others
from sessions.evidence.season import Season
from sessions.models import Log, Pass, Reading, Session
from sessions.trials.best_runs import records_of
from sessions.trials.compared_revisions import failure_rates_of
from tests.evidence.doubted import confirm, keys

pytestmark = pytest.mark.django_db


def season_of(session):
    return Vehicle.objects.get(pk=session.revision.vehicle_id)


def test_a_doubtful_fact_is_out_of_comparison_and_counted_until_it_is_answered(sign_in, hurried):
    client = sign_in("recorder")
    raw, beyond = Season(season_of(hurried)), Season.beyond_doubt(season_of(hurried))
    assert np.isfinite(raw.values("average_speed")[0])
    assert np.isnan(beyond.values("average_speed")[0])
    assert np.isnan(beyond.numbers["runtime_s"][0])
    assert beyond.left_out.count == 1
    compared = client.get(f"/compare/?vehicle={hurried.revision.vehicle_id}")
    assert compared.context["comparison"].doubtful_count == 1
    text = compared.content.decode()
    assert "1 record with a value in doubt is left out" in text
    assert f"/vehicles/{hurried.revision.vehicle_id}/doubts/" in text
    confirm(client, hurried)
    again = Season.beyond_doubt(season_of(hurried))
    assert np.isfinite(again.values("average_speed")[0])
    assert again.left_out.count == 0


def test_a_pass_in_doubt_is_no_record(sign_in, session, gate):
    for seconds in (7.0, 7.2, 7.3):
        Pass.objects.create(session=session, gate=gate, duration_s=seconds)
    Pass.objects.create(session=session, gate=gate, duration_s=0.72)
    best = {row.what: row for row in records_of(Season.beyond_doubt(season_of(session)))}["Best pass"]
    assert best.speed.value == pytest.approx(100 / 7.0)
    board = sign_in("reader").get(f"/vehicles/{session.revision.vehicle_id}/season/").content.decode()
    assert "1 record with a value in doubt is left out" in board


def test_a_log_in_doubt_is_taken_for_no_result(session):
    facts = {"charge_ah": 8.0, "energy_wh": 410.0, "peak_power_w": 2900.0, "duration_s": 1800.0}
    Log.objects.create(
        session=session, kind="csv", name="volts.csv", sha256="0" * 64, size_bytes=1, row_count=5, duration_s=1800.0,
        summary={"facts": facts, "columns": {"voltage_v": [41_000.0, 52_460.0], "current_a": [0.0, 70.0]}},
    )  # fmt: skip
    season = season_of(session)
    assert ("log", "log_voltage_range") in keys(season)
    assert np.isfinite(Season(season).values("peak_power")[0])
    assert np.isnan(Season.beyond_doubt(season).values("peak_power")[0])


def test_a_reading_in_doubt_is_taken_for_no_result_and_still_warns(sign_in, session, battery, controller):
    Fitting.objects.create(revision=session.revision, part=battery, quantity=1, series=1, parallel=1)
    Fitting.objects.create(revision=session.revision, part=controller, quantity=1)
    Reading.objects.create(session=session, time_into_session_s=60, voltage_v=540.0)
    season = season_of(session)
    values, _ = Season.beyond_doubt(season).readings
    assert np.isnan(values["voltage_v"][0])
    # The limit warns with the doubtful value: the page of the session and of the machine say so.
    page = sign_in("reader").get(session.get_absolute_url()).content.decode()
    assert page.count("540 V") >= 2
    machine = sign_in("builder").get(session.revision.vehicle.get_absolute_url()).content.decode()
    assert "540 V" in machine


def test_a_doubtful_failure_counts(revision, session):
    Failure.objects.create(
        revision=revision, session=session, mode=FailureMode.called("belt slipped"), severity=2,
        time_into_session_s=90_000.0,
    )  # fmt: skip
    Session.objects.filter(pk=session.pk).update(ended_at=session.started_at + timedelta(hours=1))
    season = season_of(session)
    assert ("failure", "failure_after_end") in keys(season)
    [rate] = failure_rates_of([revision], Season.beyond_doubt(season), {revision.pk: np.array([0])})
    assert rate.failures == 1


def test_a_shared_report_says_how_many_are_out_and_leads_nowhere(client, hurried, make_account):
    from sessions.models import ShareLink

    _, token = ShareLink.issue(7, made_by=make_account("owner", "sharer"), revision=hurried.revision)
    page = client.get(f"/shared/{token}/").content.decode()
    assert "1 record with a value in doubt is left out in whole or in part." in page
    assert "/doubts/" not in page
    assert "761" not in page


@pytest.mark.parametrize("seed", range(5))
def test_each_pass_is_held_against_the_median_of_its_session_or_the_other_one(seed):
    chance = np.random.default_rng(seed)
    owner = chance.integers(0, 12, 40)
    speeds = np.where(chance.random(40) < 0.2, np.nan, chance.uniform(3, 20, 40))
    expected = np.full(40, np.nan)
    for session in range(12):
        own = np.flatnonzero((owner == session) & ~np.isnan(speeds))
        if own.size == 2:
            expected[own] = speeds[own[::-1]]
        elif own.size > 2:
            expected[own] = np.median(speeds[own])
    np.testing.assert_allclose(_others(speeds, owner, 14), expected)
