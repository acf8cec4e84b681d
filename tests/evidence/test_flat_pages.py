"""Pages of one record read what the record needs: as many queries and rows in a season three times as long."""

import uuid
from contextlib import contextmanager
from datetime import timedelta
from unittest.mock import patch

import pytest
from django.db import connection
from django.db.models.sql import compiler
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from buildlog.failures.exposure import Exposure
from buildlog.failures.loop import States, standing_of
from buildlog.models import Failure, FailureMode, Modification, SignOff, UpkeepCheck, UpkeepItem, Verification
from buildlog.upkeep.rides import MachineRides
from calc.failure_state import Loop, State
from sessions.models import Gate, Pass, Reading, Session
from tests.large_season import fill


@contextmanager
def rows_read():
    """Counts the rows that the ORM takes from the database meanwhile."""
    counted = [0]
    whole = compiler.cursor_iter

    def counting(*arguments):
        for rows in whole(*arguments):
            counted[0] += len(rows)
            yield rows

    with patch.object(compiler, "cursor_iter", counting):
        yield counted


def cost_of(client, address):
    client.get(address)
    with CaptureQueriesContext(connection) as captured, rows_read() as rows:
        assert client.get(address).status_code == 200
    return len(captured), rows[0]


@pytest.fixture
def season(db):
    """60 sessions on 4 revisions, and a check of the chain that was done after all of them."""
    vehicle = fill(sessions=60, revisions=4, passes_each=4)
    item = UpkeepItem.objects.create(vehicle=vehicle, kind="interval", title="Lubricate", every_m=50_000.0)
    UpkeepCheck.objects.create(item=item, done_by="builder")
    return vehicle


def lengthen(vehicle):
    """120 more sessions, earlier ones, with their passes, readings and minor failures."""
    revision, gate = vehicle.revisions.get(number=1), Gate.objects.get()
    venue, first = gate.venue, Session.objects.order_by("started_at")[0].started_at
    rides = Session.objects.bulk_create(
        Session(
            revision=revision, venue=venue, started_at=first + timedelta(minutes=number), distance_m=8e3,
            runtime_s=1500.0, charge_used_ah=6.0, air_temperature_c=-5.0,
        )
        for number in range(120)
    )  # fmt: skip
    Pass.objects.bulk_create(
        Pass(session=ride, gate=gate, number=number, direction="out", duration_s=7.0)
        for ride in rides
        for number in range(1, 5)
    )
    Reading.objects.bulk_create(Reading(session=ride, time_into_session_s=300.0, voltage_v=50.0) for ride in rides)
    mode = FailureMode.objects.get(name="chain came off")
    Failure.objects.bulk_create(
        Failure(revision=revision, session=ride, mode=mode, severity=4, happened_at=ride.started_at) for ride in rides
    )


def test_a_revision_reads_no_season(season, sign_in):
    """Its upkeep was done after the last ride; what is ridden since is nothing, however long the season."""
    client, newest = sign_in("builder"), season.revisions.get(number=4)
    before = cost_of(client, f"/revisions/{newest.pk}/")
    lengthen(season)
    assert cost_of(client, f"/revisions/{newest.pk}/") == before


def test_a_revision_reads_what_is_fitted_once(season, sign_in):
    """Once as records for build and upkeep, once as columns for the states of failures; and each part once."""
    client, newest = sign_in("builder"), season.revisions.get(number=4)
    client.get(f"/revisions/{newest.pk}/")
    with CaptureQueriesContext(connection) as captured:
        client.get(f"/revisions/{newest.pk}/")
    asked = [query["sql"] for query in captured.captured_queries]
    assert sum('FROM "buildlog_fitting"' in sql for sql in asked) == 1
    assert sum('FROM "buildlog_part"' in sql for sql in asked) == 1


@pytest.mark.parametrize("is_signed", [False, True])
def test_only_modes_that_somebody_signed_can_have_held(season, is_signed):
    """Those alone are worked out to tell what has not held, and they are as their own pages say."""
    mode = FailureMode.objects.get(name="chain came off")
    Failure.objects.filter(mode=mode).update(severity=4)
    if is_signed:
        SignOff.objects.create(
            vehicle=season,
            mode=mode,
            kind="closed_without_fix",
            why="A stone.",
            failures=1000,
            signed_at=timezone.now(),
        )
    states = States([season])
    with patch.object(Loop, "_work_out", autospec=True, side_effect=Loop._work_out) as worked_out:
        held = set(Failure.objects.filter(states.in_state(State.HELD)))
    assert {uuid.UUID(call.args[1].mode) for call in worked_out.call_args_list} == ({mode.pk} if is_signed else set())
    assert held == {failure for failure in Failure.objects.all() if standing_of(failure).state is State.HELD}
    assert bool(held) == is_signed


def test_a_page_of_failures_of_the_api_reads_no_others(season, sign_in):
    """All failures of a machine are one another's evidence, but they are read by groups."""
    client, address = sign_in("builder"), "/api/v1/failures/?limit=5"
    before = cost_of(client, address)
    lengthen(season)
    queries, rows = cost_of(client, address)
    # The group of R1 and its chain may be new, and the rows that tie with its first failure.
    assert queries == before[0]
    assert rows <= before[1] + 3


def test_a_page_of_failures_says_the_first_of_its_kind(season, sign_in):
    """The first by time, and of two at one moment the one with the lower key, whatever other revisions had then."""
    client = sign_in("builder")
    lengthen(season)
    by_key = {failure.pk: failure for failure in Failure.objects.select_related("revision")}
    recurred = 0
    for row in client.get("/api/v1/failures/?limit=500").json()["results"]:
        if row["recurrence_of"] is None:
            continue
        recurred += 1
        own, first = (by_key[uuid.UUID(row[name])] for name in ("id", "recurrence_of"))
        assert first.mode_id == own.mode_id
        same = [other for other in by_key.values() if other.mode_id == own.mode_id and other.revision == first.revision]
        assert (first.happened_at, first.pk.hex) == min((other.happened_at, other.pk.hex) for other in same)
    assert recurred


@pytest.mark.parametrize(
    "gap",
    [{}, {"distance_m": None}, {"runtime_s": None}, {"distance_method": "laps"}, {"runtime_s": 20.0}],
    ids=["known", "no distance", "no time", "counted laps", "in doubt"],
)
def test_rides_since_a_day_count_as_among_all(season, gap):
    """A ride without a distance was as long as the longest of all, also of those before that day."""
    vehicle, day = season, timezone.localdate(Session.objects.order_by("-started_at")[20].started_at)
    Session.objects.filter(pk=Session.objects.order_by("-started_at")[3].pk).update(**gap)
    some, every = MachineRides.of_machines([vehicle.pk], day), MachineRides.of_machines([vehicle.pk])
    assert some.of_machine(vehicle.pk, since=day) == every.of_machine(vehicle.pk, since=day)
    assert every.of_machine(vehicle.pk, since=day) != every.of_machine(vehicle.pk)


def test_only_rides_since_a_day_are_read(season):
    vehicle = season
    MachineRides.of_machines([vehicle.pk])
    with rows_read() as some:
        MachineRides.of_machines([vehicle.pk], timezone.localdate())
    with rows_read() as every:
        MachineRides.of_machines([vehicle.pk])
    assert some[0] < 20 < 60 + 4 * 60 < every[0]


def test_states_read_rides_only_where_riding_decides(season, rides_of_fix):
    """A signed fix that was inspected or tested is held by that; one that only riding shows takes all rides beside."""
    fix, failure = rides_of_fix
    SignOff.objects.create(
        vehicle=season, mode=failure.mode, modification=fix, kind="held", why="Tested.", failures=1, fixes=1,
        signed_at=timezone.now(),
    )  # fmt: skip
    Failure.objects.filter(mode=failure.mode).update(severity=4)
    with patch("buildlog.failures.loop.Exposure", side_effect=Exposure) as read:
        States([season])
        assert read.call_count == 1
        Verification.objects.create(modification=fix, kind="bench_test", done_by="builder", finding="Pulled at 300 N.")
        states = States([season])
    assert read.call_count == 1
    for row in Failure.objects.select_related("revision__vehicle"):
        states.note_on([row])
        assert row.state == standing_of(row).state


@pytest.fixture
def rides_of_fix(season):
    fix = Modification.objects.filter(revision__vehicle=season, answers__isnull=False).order_by("-revision__number")[0]
    return fix, fix.answers.order_by("happened_at")[0]
