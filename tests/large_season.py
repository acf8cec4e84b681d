"""A season of the size the speed figures are stated for: 40 revisions, 2,000 sessions, 20,000 passes."""

import random
from datetime import UTC, date, datetime, timedelta

from buildlog.models import Failure, FailureMode, Fitting, Modification, Part, Revision, Vehicle
from sessions.models import Gate, GateMark, Pass, Session, Venue


def fill(revisions=40, sessions=2000, passes=20_000, failures=300):
    """Store it, and return its vehicle. Numbers are drawn, the same ones every time."""
    chance = random.Random(4)
    vehicle = Vehicle.objects.create(name="Large season")
    venue = Venue.objects.create(name="Large lake")
    gate = Gate.objects.create(venue=venue, name="Straight", u_distance_m=0.1)
    GateMark.objects.bulk_create(GateMark(gate=gate, position_m=place) for place in (0.0, 100.0))
    told = {"nominal_voltage_v": 50.4, "full_voltage_v": 58.8, "empty_voltage_v": 35.0, "capacity_ah": 60.0}
    module = Part.objects.create(name="Large module", category="battery_module", mass_kg=18.0, specification=told)
    builds = []
    for number in range(1, revisions + 1):
        builds.append(
            Revision.objects.create(
                vehicle=vehicle, number=number, parent=builds[-1] if builds else None, status="riding",
                date=date(2026, 1, 1) + timedelta(days=number), track_width_m=1.2, cg_height_m=0.35,
                mass_without_rider_kg=90,
            )
        )  # fmt: skip
        Fitting.objects.create(revision=builds[-1], part=module, quantity=1, series=1, parallel=1)
        Modification.objects.create(revision=builds[-1], title=f"Change {number}")
    rides = [
        Session(
            revision=builds[index * revisions // sessions], venue=venue,
            started_at=datetime(2026, 1, 1, tzinfo=UTC) + timedelta(hours=3 * index),
            distance_m=chance.uniform(5e3, 2e4), runtime_s=chance.uniform(900, 3600),
            charge_used_ah=chance.uniform(4, 20), air_temperature_c=chance.uniform(-20, 2),
            rest_voltage_start_v=58.0, rest_voltage_end_v=chance.uniform(45, 55), surface="clear_ice",
            rider_mass_kg=80.0,
        )
        for index in range(sessions)
    ]  # fmt: skip
    Session.objects.bulk_create(rides)
    Pass.objects.bulk_create(
        Pass(
            session=rides[index * sessions // passes], gate=gate, number=index % 10 + 1,
            direction="out" if index % 2 else "back", duration_s=chance.uniform(5, 9),
        )
        for index in range(passes)
    )  # fmt: skip
    mode = FailureMode.objects.create(name="large mode")
    Failure.objects.bulk_create(
        Failure(
            revision=ride.revision, session=ride, mode=mode, severity=chance.randint(1, 4), happened_at=ride.started_at
        )
        for ride in chance.sample(rides, failures)
    )
    return vehicle
