"""Whether a modification did what was expected of it."""

from datetime import timedelta

from buildlog.machines.limits import Ride, side_by_side
from buildlog.machines.machine import Machine
from buildlog.machines.queries import revisions_with_parts
from buildlog.models import Failure, FailureMode, Modification
from sessions.bench import verdicts
from sessions.bench.machine_bench import Filters, bench_of
from sessions.models import Session
from tests.bench.rides import START

# Verdicts


def modification(direction="up", amount=10.0, measure="top_speed"):
    return Modification(
        title="m", expected_measure=measure, expected_direction=direction, expected_amount_percent=amount
    )


def failed(revision, count, mode="chain came off"):
    return [
        Failure.objects.create(
            revision=revision, mode=FailureMode.called(mode), severity=3, happened_at=START + timedelta(hours=index)
        )
        for index in range(count)
    ]


def verdict_on(vehicle):
    return next(
        verdict for verdict in bench_of(vehicle, Filters()).verdicts if verdict.modification.title == "Tensioner"
    )


def test_a_verdict_on_failures(season, vehicle):
    first, second, *_ = season
    assert verdict_on(vehicle).word == "not yet known"
    failed(first, 9)
    assert verdict_on(vehicle).word == "did what it should"
    assert "12 in 50 km before, 0 in 40 km since" in verdict_on(vehicle).sentence
    failed(second, 60)
    assert verdict_on(vehicle).word == "made it worse"
    Modification.objects.get().answers.clear()
    assert verdict_on(vehicle).word == "not yet known"


def test_a_verdict_judges_all_the_modes_that_a_modification_answers(season, vehicle):
    """Not the first that was ticked only."""
    first, second, *_ = season
    Modification.objects.get().answers.add(*failed(first, 9, "belt slipped"))
    failed(second, 60, "belt slipped")
    assert verdict_on(vehicle).word == "made it worse"


def test_not_met_is_not_said_of_rides_that_may_have_been_long(season, vehicle):
    first, second, *_ = season
    failed(first, 9), failed(second, 20)
    Session.objects.filter(revision=second).update(distance_m=None, runtime_s=None)
    Session.objects.filter(revision=first).update(distance_m=10_000.0)
    Session.objects.filter(pk=season[2][0].pk).update(distance_m=900_000.0)
    assert verdict_on(vehicle).word == "not yet known"


def test_a_verdict_on_stability_needs_no_riding(season):
    revision, second, *_ = season
    machines = [Machine(revisions_with_parts().get(pk=item.pk)) for item in (revision, second)]
    ride = Ride(rider_kg=80.0)
    wider = modification(measure="stability", amount=16.0)
    # Same centre of gravity, track 1.2 m to 1.4 m: 16.7 % more.
    assert verdicts.verdict_by_build(wider, *machines, ride).word == "did what it should"
    wider.expected_amount_percent = 17.0
    assert verdicts.verdict_by_build(wider, *machines, ride).word == "helped, less than expected"
    assert verdicts.verdict_by_build(wider, None, machines[1], ride).word == "not yet known"
    assert side_by_side(*machines, ride)[0].moved is False
