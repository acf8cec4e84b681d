"""What the tests of the bench begin with."""

from datetime import date

import pytest

from buildlog.models import Failure, FailureMode, Fitting, Modification, Revision
from tests.bench.rides import rides


@pytest.fixture
def season(vehicle, revision, venue, battery):
    """Two revisions, the second ridden now; five sessions each; a failure mode before and none since."""
    second = Revision.objects.create(
        vehicle=vehicle, number=2, parent=revision, date=date(2026, 2, 1), status="riding", track_width_m=1.4,
        wheelbase_m=1.8, cg_height_m=0.35, mass_without_rider_kg=90.0, seat_x_m=0.7, seat_z_m=0.4,
    )  # fmt: skip
    Revision.objects.filter(pk=revision.pk).update(seat_x_m=0.7, seat_z_m=0.4)
    for item in (revision, second):
        Fitting.objects.create(revision=item, part=battery, quantity=2, series=1, parallel=2, x_m=0.6, z_m=0.3)
    before, after = rides(revision, venue, 5, rider_mass_kg=80.0), rides(second, venue, 5, 8.0, 40, rider_mass_kg=80.0)
    mode = FailureMode.called("chain came off")
    failures = [
        Failure.objects.create(revision=revision, session=entry, mode=mode, severity=2, happened_at=entry.started_at)
        for entry in before[:3]
    ]
    fix = Modification.objects.create(
        revision=second, title="Tensioner", expected_measure="failure_rate", expected_direction="down",
        expected_amount_percent=50,
    )  # fmt: skip
    fix.answers.set(failures)
    return revision, second, before, after, failures
