"""The one reader: any set of sessions, of any machines, and each as it is alone."""

from datetime import UTC, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from buildlog.models import Revision, Vehicle
from sessions.demo import loading
from sessions.evidence.reader import Evidence
from sessions.evidence.season import Season
from sessions.models import Assumptions, Pass, Session


def all_results(report):
    return [(result.key, result.value, result.u, result.method, result.evidence) for result in report.results]


@pytest.fixture
def demo(db):
    loading.load()
    return Vehicle.objects.get()


def test_a_session_alone_has_the_results_it_has_among_all(demo):
    season = Season(demo)
    assert season.count > 5
    for row in range(season.count):
        alone = Evidence.of_session(Session.objects.get(pk=season.key(row))).reports[0]
        among = season.reports[row]
        assert all_results(alone) == all_results(among)
        assert [missing.needs for missing in alone.missing] == [missing.needs for missing in among.missing]


@pytest.fixture
def other_machine(venue, gate):
    """A second machine whose owner presses a stopwatch four times as badly, and weighs nothing."""
    vehicle = Vehicle.objects.create(name="Second machine")
    Assumptions.objects.create(vehicle=vehicle, u_press_s=0.4, u_distance_fraction=0.1)
    revision = Revision.objects.create(vehicle=vehicle, number=1, status="riding", date="2026-01-01")
    session = Session.objects.create(
        revision=revision, venue=venue, started_at=datetime(2026, 1, 5, tzinfo=UTC), distance_m=5000.0, runtime_s=900.0
    )
    Pass.objects.create(session=session, gate=gate, number=1, duration_s=10.0)
    return session


def test_each_machine_is_read_by_its_own_assumptions(session, gate, other_machine):
    """√2 × 0.4 s of 10 s is 5.7 %, √2 × 0.1 s is 1.4 % (JCGM 100:2008, 5.1.2)."""
    Pass.objects.create(session=session, gate=gate, number=1, duration_s=10.0)
    Session.objects.filter(pk=session.pk).update(distance_m=5000.0, runtime_s=900.0)
    evidence = Evidence(Session.objects.all())
    reports = {evidence.key(row): report for row, report in enumerate(evidence.reports)}
    both = {key: reports[key].get("best_gate_speed") for key in (session.pk, other_machine.pk)}
    length_u = gate.u_distance_m / gate.length_m
    for key, press_s in ((session.pk, 0.1), (other_machine.pk, 0.4)):
        share = both[key].u / both[key].value
        assert share == pytest.approx((2 * (press_s / 10.0) ** 2 + length_u**2) ** 0.5)
    speeds = {key: reports[key].get("average_speed") for key in both}
    assert speeds[other_machine.pk].u / speeds[session.pk].u == pytest.approx(0.1 / 0.02)


def test_the_queries_are_the_same_for_one_and_for_many(session, gate, other_machine):
    Pass.objects.create(session=session, gate=gate, number=1, duration_s=10.0)

    def queries_of(sessions):
        with CaptureQueriesContext(connection) as captured:
            evidence = Evidence(sessions)
            assert len(evidence.reports) == evidence.count > 0
        return len(captured)

    alone = queries_of(Session.objects.filter(pk=session.pk))
    Session.objects.bulk_create(
        Session(revision=session.revision, venue=session.venue, started_at=session.started_at + timedelta(hours=hours))
        for hours in range(1, 150)
    )
    assert queries_of(Session.objects.all()) == alone == 9


def test_no_session_at_all(db):
    evidence = Evidence(Session.objects.none())
    assert evidence.count == 0
    assert evidence.values("range").size == 0


def test_passes_that_do_not_count_have_a_speed_and_no_say(session, gate):
    Pass.objects.create(session=session, gate=gate, number=1, duration_s=10.0)
    Pass.objects.create(session=session, gate=gate, number=2, duration_s=5.0, valid=False, invalid_reason="early")
    evidence = Evidence.of_session(session)
    assert evidence.all_passes.speed.value.tolist() == [10.0, 20.0]
    assert evidence.reports[0].get("best_gate_speed").value == 10.0
