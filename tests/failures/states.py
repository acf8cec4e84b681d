"""Failures that are brought to a state the way they come there."""

from datetime import UTC, datetime

from buildlog.failures.loop import sign_held
from buildlog.models import (
    Modification,
    Verification,
)
from calc.failure_state import State

START = datetime(2026, 1, 10, 10, 0, tzinfo=UTC)


def answer(failure, revision, title="Idler spring"):
    modification = Modification.objects.create(revision=revision, title=title)
    modification.answers.add(failure)
    failure.refresh_from_db()
    return modification


def in_state(state, came, later, ride, revision):
    """A failure brought to a state the way it comes there."""
    failure = came()
    ride(revision, 100, 0)
    if state == State.OPEN:
        return failure
    second = later(2, "in_build" if state == State.FIX_FITTED else "riding")
    answer(failure, second)
    if state != State.FIX_FITTED:
        # A thousand kilometres in one ride would be in doubt, and so unknown.
        for day in range(20):
            ride(second, 50, day + 1)
    if state == State.HELD:
        sign_held(failure, "Ridden far enough.")
    if state == State.RECURRED:
        came(on=second, day=2)
    failure.refresh_from_db()
    assert failure.state == state
    return failure


# Evidence other than riding


def verify(failure, kind, day="2026-03-01"):
    return Verification.objects.create(
        modification=failure.answered_by.get(), kind=kind, done_on=day, done_by="Ida", finding="No crack."
    )
