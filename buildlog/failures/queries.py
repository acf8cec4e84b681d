"""Reads of failures."""

from __future__ import annotations

from django.db.models import Prefetch, QuerySet, Value
from django.db.models.functions import Coalesce

from buildlog.failures.models import Failure, Modification
from buildlog.machines.models import Vehicle


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
