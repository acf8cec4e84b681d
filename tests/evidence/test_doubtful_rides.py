"""Which rides exposure leaves a value out of."""

import random

import pytest

from buildlog.models import Confirmation, Part, Revision
from sessions.evidence.doubtful_rides import doubtful_in, doubtful_rides
from sessions.evidence.doubts import doubts_of_machine
from sessions.models import Gate, GateMark, Pass, Reading, Session
from tests.large_season import fill

pytestmark = pytest.mark.django_db
FACTORS = (0.001, 0.01, 1 / 60, 1 / 3.6, 3.6, 10, 60, 1000)


def slip(chance, rows, names):
    """One value in eight wrong by a unit, a factor of ten or a power, within what the database takes."""
    changed = []
    for row in rows:
        for name in names:
            value = getattr(row, name)
            if value is not None and chance.random() < 0.125:
                setattr(row, name, min(value * chance.choice(FACTORS), 9000.0))
                changed.append(row)
    type(rows[0]).objects.bulk_update(changed, names)


@pytest.mark.parametrize("seed", range(3))
def test_what_is_read_for_rides_alone_doubts_the_same_as_all_that_is_stored(seed):
    chance = random.Random(seed)
    vehicle = fill(60, revisions=4, passes_each=4)
    Revision.objects.update(drive_ratio=5.0, rolling_circumference_m=1.3)
    motor = Part.objects.create(name="Motor", category="motor", specification={"motor_constant_rpm_per_v": 70.0})
    for revision in Revision.objects.all():
        revision.fittings.create(part=motor, quantity=1)
    without_marks = Gate.objects.create(venue=Gate.objects.get().venue, name="Lost", u_distance_m=0.1)
    GateMark.objects.create(gate=without_marks, position_m=0.0)
    passes, readings = list(Pass.objects.all()), list(Reading.objects.all())
    for row in passes:
        row.time_into_session_s = chance.choice([None, 600.0, 60_000.0])
        row.valid = chance.random() > 0.1
        row.invalid_reason = "" if row.valid else "braked"
        row.gate = without_marks if chance.random() < 0.1 else row.gate
    for row in readings:
        row.distance_m, row.sequence = chance.choice([None, 3000.0, 7000.0]), chance.choice([None, 5, 7])
    Pass.objects.bulk_update(passes, ["time_into_session_s", "valid", "invalid_reason", "gate"])
    Reading.objects.bulk_update(readings, ["distance_m", "sequence"])
    slip(chance, passes, ["duration_s"])
    slip(chance, readings, ["charge_used_ah", "time_into_session_s"])
    slip(chance, list(Session.objects.all()), ["distance_m", "runtime_s", "charge_used_ah"])
    for doubt in doubts_of_machine(vehicle).listed():
        if doubt.subject in ("session", "pass") and chance.random() < 0.2:
            Confirmation.objects.create(
                vehicle=vehicle, subject=doubt.subject, record=doubt.record, rule=doubt.doubt.key,
                values=doubt.doubt.values, reason="It was so.",
            )  # fmt: skip
    by_everything = doubtful_in(doubts_of_machine(vehicle))
    assert doubtful_rides([vehicle]) == by_everything
    assert all(by_everything.values())
    assert set(by_everything) == {"distance_m", "runtime_s", "charge_used_ah"}
