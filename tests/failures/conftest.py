"""What the tests of failures begin with."""

from datetime import timedelta

import pytest

from buildlog.models import (
    Failure,
    FailureMode,
    Revision,
)
from sessions.models import Session
from tests.failures.states import START


@pytest.fixture
def ride(venue):
    """Rides a revision so many kilometres, days after the start."""

    def go(revision, km, day=0, **more):
        return Session.objects.create(
            revision=revision, venue=venue, started_at=START + timedelta(days=day), distance_m=1000.0 * km,
            runtime_s=180.0 * km, **more,
        )  # fmt: skip

    return go


@pytest.fixture
def came(revision):
    """Something failed, on a revision, days after the start."""

    def happen(mode="chain came off", on=None, day=0, **more):
        return Failure.objects.create(
            revision=on or revision, mode=FailureMode.called(mode), severity=3, happened_at=START + timedelta(days=day),
            **more,
        )  # fmt: skip

    return happen


@pytest.fixture
def later(vehicle, revision):
    def make(number, status="planned", parent=revision):
        return Revision.objects.create(vehicle=vehicle, number=number, parent=parent, date="2026-02-01", status=status)

    return make
