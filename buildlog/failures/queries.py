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
from buildlog.storage.columns import as_text, key_as_text
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
    fixed_on: frozenset[uuid.UUID]

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
    group = (as_text(f"{name}_id") for name in ("revision", "mode", "cause"))
    columns = list(rows.values_list(as_text("pk"), "mode__name", "severity", *group))
    if not columns:
        return {}
    stored = Revision.objects.filter(vehicle__in=vehicles).only("number", "vehicle")
    revisions = {key_as_text(row.pk): (row.vehicle_id, row.label) for row in stored}
    states = states or States(Vehicle.objects.select_related("assumptions").filter(pk__in=vehicles))
    hazards: dict[uuid.UUID, list[Hazard]] = {}
    for key, mode, severity, revision, *others in columns:
        fixed_on = states.fixed_on((revision, *others))
        if fixed_on is not None:
            vehicle, label = revisions[revision]
            hazards.setdefault(vehicle, []).append(Hazard(uuid.UUID(key), mode, label, severity, fixed_on))
    return hazards


def hazards_among(failures: Iterable[Failure]) -> list[Hazard]:
    """The same of failures that have their states."""
    return [
        Hazard(failure.pk, failure.mode.name, failure.revision.label, failure.severity, failure.fixed_on)
        for failure in failures
        if failure.severity in HURTS and failure.state != Failure.State.HELD
    ]


def on_line(hazards: Iterable[Hazard], line: Collection[uuid.UUID]) -> list[OpenHazard]:
    """`line` has the keys of a revision and those before it, whose modifications it carries."""
    # Failures of one revision, mode and cause have one set of fixes, and a machine may have hundreds of them.
    is_fixed: dict[frozenset[uuid.UUID], bool] = {}
    rows = []
    for hazard in hazards:
        has_fix = is_fixed.get(hazard.fixed_on)
        if has_fix is None:
            has_fix = is_fixed[hazard.fixed_on] = not hazard.fixed_on.isdisjoint(line)
        rows.append(OpenHazard(hazard, has_fix))
    return rows
