"""Reads of machines, revisions and parts, each with a fixed number of queries."""

from __future__ import annotations

import uuid
from collections.abc import Collection
from typing import Any

from django.db.models import Count, OuterRef, Prefetch, QuerySet, Subquery

from buildlog.machines.models import Fitting, Part, Revision, Vehicle


def _in_order(fittings: QuerySet[Fitting]) -> Prefetch[str, QuerySet[Fitting], str]:
    """Fittings in the order of a list of parts."""
    return Prefetch("fittings", queryset=fittings.order_by("part__category", "part__name"))


def revisions_with_parts() -> QuerySet[Revision]:
    """Revisions with the parts that are fitted to them."""
    return Revision.objects.select_related("vehicle", "parent__vehicle").prefetch_related(fittings_with_parts())


def fittings_with_parts() -> Prefetch[str, QuerySet[Fitting], str]:
    """What is fitted to a few revisions, in the order of a list of parts."""
    return _in_order(Fitting.objects.select_related("part"))


LINE = "revisions_in_line"
"""Attribute of a vehicle that holds its revisions with their parts once they are read: what was measured on one of
them holds for those after it."""


def read_line(vehicle: Vehicle) -> list[Revision]:
    """All revisions of a vehicle with their parts, by number; the vehicle keeps them for `machine.Machine`."""
    revisions = list(_of_lines().filter(vehicle=vehicle).order_by("number"))
    for revision in revisions:
        revision.vehicle = vehicle
    _keep_line(vehicle, revisions)
    return revisions


def read_lines(revisions: Collection[uuid.UUID] | QuerySet[Any, Any]) -> list[Revision]:
    """These revisions and all others of their machines, with their parts; vehicles keep them as in `read_line`."""
    machines = Vehicle.objects.filter(revisions__in=revisions).order_by().values("pk")
    lines: dict[uuid.UUID, list[Revision]] = {}
    for revision in _of_lines().select_related("vehicle").filter(vehicle__in=machines).order_by("number"):
        line = lines.setdefault(revision.vehicle_id, [])
        if line:
            revision.vehicle = line[0].vehicle
        line.append(revision)
    for line in lines.values():
        _keep_line(line[0].vehicle, line)
    return [revision for line in lines.values() for revision in line]


def _of_lines() -> QuerySet[Revision]:
    """Each part is read once, on however many revisions it is."""
    fittings = _in_order(Fitting.objects.prefetch_related("part"))
    return Revision.objects.prefetch_related(fittings, "balance_tests")


def _keep_line(vehicle: Vehicle, revisions: list[Revision]) -> None:
    by_key = {revision.pk: revision for revision in revisions}
    for revision in revisions:
        # Parents are at hand: joined, each revision would bring two more records.
        if revision.parent_id in by_key:
            revision.parent = by_key[revision.parent_id]
    setattr(vehicle, LINE, revisions)


def ridden_now(**of: Any) -> QuerySet[Revision]:
    """Revisions that are ridden, the newest first: of one machine, the first is the one that is ridden now."""
    return Revision.objects.filter(status=Revision.Status.RIDING, **of).order_by("-number")


def current_revision(vehicle: Vehicle) -> Revision | None:
    """The revision of a machine that is ridden now, else its newest."""
    return ridden_now(vehicle=vehicle).first() or vehicle.revisions.order_by("-number").first()


def newest_revisions(most: int) -> list[Revision]:
    """The newest revision of each machine that was changed last."""
    newest = Revision.objects.filter(vehicle=OuterRef("vehicle")).order_by("-number").values("pk")[:1]
    rows = Revision.objects.filter(pk=Subquery(newest)).select_related("vehicle")
    return list(rows.order_by("-date", "-number", "pk")[:most])


def parts() -> QuerySet[Part]:
    return Part.objects.annotate(fitting_count=Count("fittings")).order_by("category", "name")
