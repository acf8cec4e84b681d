"""A season of any size, as the speed figures are stated for: 40 revisions, 10 passes and 3 readings a session.

One session in ten has a failure; each revision has a modification that expects something, and answers failures of the
revision before it. Numbers are drawn, the same ones every time.
"""

import random
from datetime import UTC, datetime, timedelta

from buildlog.models import Failure, FailureMode, Fitting, Modification, Part, Revision, Vehicle
from sessions.models import Gate, GateMark, Pass, Reading, Session, Venue

BATCH = 5_000
END = datetime(2026, 1, 1, tzinfo=UTC)
BETWEEN = timedelta(hours=3)
"""From one session to the next; the last one ends before END, so that none is of the future."""
PACK = {"nominal_voltage_v": 50.4, "full_voltage_v": 58.8, "empty_voltage_v": 35.0, "capacity_ah": 60.0}
EXPECTATIONS = (("top_speed", "up", 5.0), ("consumption", "down", 8.0), ("range", "up", 10.0))
MODES = ("chain came off", "controller cut out", "runner bolt loose")


def fill(sessions=2000, revisions=40, passes_each=10, readings_each=3):
    """Store the season and return its vehicle."""
    chance = random.Random(4)
    vehicle = Vehicle.objects.create(name="Large season")
    venue = Venue.objects.create(name="Large lake")
    gate = Gate.objects.create(venue=venue, name="Straight", u_distance_m=0.1)
    GateMark.objects.bulk_create(GateMark(gate=gate, position_m=place) for place in (0.0, 100.0))
    begins = END - BETWEEN * sessions
    builds = _builds(vehicle, [begins + BETWEEN * (index * sessions // revisions) for index in range(revisions)])
    rides = _rides(chance, builds, venue, sessions, begins)
    Session.objects.bulk_create(rides, BATCH)
    Pass.objects.bulk_create(
        (
            Pass(
                session=ride, gate=gate, number=number + 1, direction="back" if number % 2 else "out",
                duration_s=chance.uniform(5, 9),
            )
            for ride in rides
            for number in range(passes_each)
        ),
        BATCH,
    )  # fmt: skip
    Reading.objects.bulk_create(
        (
            Reading(
                session=ride, time_into_session_s=300.0 * (number + 1), voltage_v=chance.uniform(48, 57),
                current_a=chance.uniform(10, 90), charge_used_ah=2.0 * (number + 1),
            )
            for ride in rides
            for number in range(readings_each)
        ),
        BATCH,
    )  # fmt: skip
    _failures(chance, vehicle, rides)
    return vehicle


def _builds(vehicle, first_rides):
    module = Part.objects.create(name="Large module", category="battery_module", mass_kg=18.0, specification=PACK)
    builds = []
    for number, first_ride in enumerate(first_rides, start=1):
        builds.append(
            Revision.objects.create(
                vehicle=vehicle, number=number, parent=builds[-1] if builds else None, status="riding",
                date=first_ride.date(), track_width_m=1.2, cg_height_m=0.35,
                mass_without_rider_kg=90,
            )
        )  # fmt: skip
    Fitting.objects.bulk_create(
        Fitting(revision=build, part=module, quantity=1, series=1, parallel=1) for build in builds
    )
    changes = []
    for build in builds:
        measure, direction, amount = EXPECTATIONS[build.number % len(EXPECTATIONS)]
        changes.append(
            Modification(
                revision=build, title=f"Change {build.number}", expected_measure=measure,
                expected_direction=direction, expected_amount_percent=amount,
            )
        )  # fmt: skip
    Modification.objects.bulk_create(changes)
    return builds


def _rides(chance, builds, venue, sessions, begins):
    return [
        Session(
            revision=builds[index * len(builds) // sessions], venue=venue,
            started_at=begins + BETWEEN * index,
            distance_m=chance.uniform(5e3, 2e4), runtime_s=chance.uniform(900, 3600),
            charge_used_ah=chance.uniform(4, 20), air_temperature_c=chance.uniform(-20, 2),
            rest_voltage_start_v=58.0, rest_voltage_end_v=chance.uniform(45, 55), surface="clear_ice",
            rider_mass_kg=80.0,
        )
        for index in range(sessions)
    ]  # fmt: skip


def _failures(chance, vehicle, rides):
    modes = [FailureMode.objects.create(name=name) for name in MODES]
    failures = [
        Failure(
            revision=ride.revision, session=ride, mode=chance.choice(modes), severity=chance.randint(1, 4),
            happened_at=ride.started_at + timedelta(minutes=10),
        )
        for ride in rides[::10]
    ]  # fmt: skip
    Failure.objects.bulk_create(failures, BATCH)
    by_revision = {}
    for failure in failures:
        by_revision.setdefault(failure.revision.number, []).append(failure)
    for change in Modification.objects.filter(revision__vehicle=vehicle).select_related("revision"):
        Modification.answers.through.objects.bulk_create(
            Modification.answers.through(modification=change, failure=failure)
            for failure in by_revision.get(change.revision.number - 1, ())[:3]
        )
