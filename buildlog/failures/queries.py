"""Reads of failures."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Any, NamedTuple

from django.db.models import Prefetch, QuerySet, Value
from django.db.models.functions import Coalesce

from buildlog.failures.loop import States
from buildlog.failures.models import Failure, Modification
from buildlog.machines.models import Revision, Vehicle
from calc.failure_facts import HURTS


def failure_list() -> QuerySet[Failure]:
    """Failures as a list shows them."""
    return Failure.objects.select_related("mode", "part", "revision__vehicle__assumptions")


def failures_of_machine(failures: QuerySet[Failure], vehicle: Vehicle) -> QuerySet[Failure]:
    """Those of one machine.

    The function hides the column from the index that leads from the machine to its revisions: the newest page is to be
    read in the order of time, and not all of the machine's failures be read and sorted for it.
    """
    return failures.alias(machine=Coalesce("revision__vehicle", Value(None))).filter(machine=vehicle.pk)


def failure_rows() -> QuerySet[Failure]:
    """Failures with all that their own pages show."""
    failures = Failure.objects.select_related(
        "mode", "part", "cause", "revision__vehicle__assumptions", "session__venue"
    )
    answers = Modification.objects.select_related("revision__vehicle").order_by("revision__number", "title")
    return failures.prefetch_related(Prefetch("answered_by", queryset=answers))


class OpenHazard(NamedTuple):
    """A failure of category I or II that has not been shown to be mended, and whether a revision has a fix of it."""

    failure: Failure
    has_fix: bool


def open_failures(vehicles: Collection[Any], states: States | None = None) -> list[Failure]:
    """Failures of category I and II of machines that have not held, with their states: what releases read.

    states: of these machines, where the page has them.
    """
    rows = Failure.objects.filter(revision__vehicle__in=vehicles, severity__in=HURTS)
    failures = list(rows.select_related("mode").order_by("happened_at", "pk"))
    if failures:
        # Read once for all: joined, each failure would bring three more records.
        revisions = Revision.objects.select_related("vehicle__assumptions").filter(vehicle__in=vehicles).in_bulk()
        for failure in failures:
            failure.revision = revisions[failure.revision_id]
        (states or States({failure.revision.vehicle for failure in failures})).note_on(failures)
    return not_held(failures)


def not_held(failures: Iterable[Failure]) -> list[Failure]:
    """Those of category I and II that have not held, of failures that have their states."""
    return [failure for failure in failures if failure.severity in HURTS and failure.state != Failure.State.HELD]


def hazard_of(failure: Failure, line: Collection[Any]) -> OpenHazard:
    """`line` has the keys of a revision and those before it, whose modifications it carries."""
    return OpenHazard(failure, any(revision in line for revision in failure.fixed_on))
