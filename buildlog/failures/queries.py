"""Reads of failures."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any, NamedTuple

from django.db.models import Prefetch, QuerySet, Value
from django.db.models.functions import Coalesce

from buildlog.failures.models import Failure, Modification
from buildlog.machines.models import Vehicle


def failure_list() -> QuerySet[Failure]:
    """Failures as a list shows them."""
    return Failure.objects.select_related("mode", "part", "revision__vehicle")


def failures_of_machine(failures: QuerySet[Failure], vehicle: Vehicle) -> QuerySet[Failure]:
    """Those of one machine.

    The function hides the column from the index that leads from the machine to its revisions: the newest page is to be
    read in the order of time, and not all of the machine's failures be read and sorted for it.
    """
    return failures.alias(machine=Coalesce("revision__vehicle", Value(None))).filter(machine=vehicle.pk)


def failure_rows() -> QuerySet[Failure]:
    """Failures with all that their own pages show."""
    failures = Failure.objects.select_related("mode", "part", "cause", "revision__vehicle", "session__venue")
    answers = Modification.objects.select_related("revision__vehicle").order_by("revision__number", "title")
    return failures.select_related("recurrence_of__mode", "recurrence_of__revision__vehicle").prefetch_related(
        Prefetch("answered_by", queryset=answers)
    )


class OpenHazard(NamedTuple):
    """A failure of category I or II that has not been shown to be mended, and whether a revision has a fix of it."""

    failure: Failure
    has_fix: bool


def open_failures(vehicles: Collection[Any]) -> QuerySet[Failure]:
    """Failures of category I and II of machines that have not held; what releases read, and nothing else of states."""
    rows = Failure.objects.filter(revision__vehicle__in=vehicles, severity__lte=2).exclude(state=Failure.State.HELD)
    return (
        rows.select_related("mode", "revision__vehicle").prefetch_related("answered_by").order_by("happened_at", "pk")
    )


def hazard_of(failure: Failure, line: Collection[Any]) -> OpenHazard:
    """`line` has the keys of a revision and those before it, whose modifications it carries."""
    fixes = failure.answered_by.all()
    return OpenHazard(failure, any(fix.revision_id in line and fix.disproved_by_id is None for fix in fixes))
