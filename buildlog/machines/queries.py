"""Reads of what was built and what broke, each with a fixed number of queries."""

from __future__ import annotations

from django.db.models import Count, Prefetch, QuerySet

from buildlog.machines.models import Fitting, Part, Revision, Vehicle


def revisions_with_parts() -> QuerySet[Revision]:
    """Revisions with the parts that are fitted to them."""
    return Revision.objects.select_related("vehicle", "parent__vehicle").prefetch_related(
        Prefetch("fittings", queryset=Fitting.objects.select_related("part"))
    )


LINE = "revisions_in_line"
"""Where a vehicle keeps its revisions with their parts, once they were read: what was measured on one of them holds
for those after it."""


def read_line(vehicle: Vehicle) -> list[Revision]:
    """All revisions of a vehicle with their parts, by number; the vehicle keeps them for `machine.Machine`."""
    revisions = list(revisions_with_parts().filter(vehicle=vehicle).order_by("number"))
    for revision in revisions:
        revision.vehicle = vehicle
    setattr(vehicle, LINE, revisions)
    return revisions


def with_line(path: str) -> Prefetch[str, QuerySet[Revision], str]:
    """The same for the vehicles of many records, where `path` leads from a record to its vehicle."""
    revisions = Revision.objects.prefetch_related(Prefetch("fittings", queryset=Fitting.objects.select_related("part")))
    return Prefetch(f"{path}__revisions", queryset=revisions, to_attr=LINE)


def parts() -> QuerySet[Part]:
    return Part.objects.annotate(fitting_count=Count("fittings")).order_by("category", "name")
