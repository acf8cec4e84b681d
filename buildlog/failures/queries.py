"""Reads of failures."""

from __future__ import annotations

import uuid
from collections.abc import Collection, Iterable
from typing import NamedTuple

from django.db.models import Prefetch, QuerySet, Value
from django.db.models.functions import Coalesce

from buildlog.failures.loop import States
from buildlog.failures.models import Failure, Modification
from buildlog.failures.models.failures import CATEGORIES
from buildlog.machines.models import Revision, Vehicle
from calc.failure_facts import HURTS


def failure_list() -> QuerySet[Failure]:
    """Failures as a list shows them; their revisions are read once for all, with one query more."""
    revisions = Revision.objects.select_related("vehicle__assumptions")
    return Failure.objects.select_related("mode", "part").prefetch_related(Prefetch("revision", revisions))


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


class Hazard(NamedTuple):
    """A failure of category I or II that has not been shown to be mended, as a release reads it.

    fixed_on: the revisions with a fix of it.
    """

    key: uuid.UUID
    mode: str
    revision: str
    severity: int
    fixed_on: Collection[uuid.UUID]

    @property
    def category(self) -> str:
        return CATEGORIES[self.severity - 1]


class OpenHazard(NamedTuple):
    """A hazard, and whether a revision has a fix of it."""

    hazard: Hazard
    has_fix: bool


def hazards_of(vehicles: Collection[uuid.UUID], states: States | None = None) -> dict[uuid.UUID, list[Hazard]]:
    """What releases read of failures that have not held, by machine and in the order of time: plain columns, for a
    machine may have thousands. `states` are those of these machines, where the page has them."""
    rows = Failure.objects.filter(revision__vehicle__in=vehicles, severity__in=HURTS).order_by("happened_at", "pk")
    columns = list(rows.values_list("pk", "mode__name", "severity", "revision", "mode", "cause"))
    if not columns:
        return {}
    revisions = {row.pk: row for row in Revision.objects.filter(vehicle__in=vehicles).only("number", "vehicle")}
    states = states or States(Vehicle.objects.select_related("assumptions").filter(pk__in=vehicles))
    hazards: dict[uuid.UUID, list[Hazard]] = {}
    for key, mode, severity, *group in columns:
        fixed_on = states.fixed_on(*group)
        if fixed_on is not None:
            revision = revisions[group[0]]
            hazard = Hazard(key, mode, revision.label, severity, fixed_on)
            hazards.setdefault(revision.vehicle_id, []).append(hazard)
    return hazards


def hazards_among(failures: Iterable[Failure]) -> list[Hazard]:
    """The same of failures that have their states."""
    return [
        Hazard(failure.pk, failure.mode.name, failure.revision.label, failure.severity, failure.fixed_on)
        for failure in failures
        if failure.severity in HURTS and failure.state != Failure.State.HELD
    ]


def on_line(hazard: Hazard, line: Collection[uuid.UUID]) -> OpenHazard:
    """`line` has the keys of a revision and those before it, whose modifications it carries."""
    return OpenHazard(hazard, any(revision in line for revision in hazard.fixed_on))
