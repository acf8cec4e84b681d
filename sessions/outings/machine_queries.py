"""Reads of machines with what was ridden and what broke."""

from __future__ import annotations

from dataclasses import dataclass

from django.db.models import Count, Max, QuerySet, Sum

from buildlog.failures.models import Failure
from buildlog.machines.models import Revision, Vehicle


def vehicles() -> QuerySet[Vehicle]:
    """Vehicles by name, with how many revisions and failures each has, and its newest revision's number."""
    return Vehicle.objects.annotate(
        revision_count=Count("revisions", distinct=True),
        failure_count=Count("revisions__failures", distinct=True),
        newest_number=Max("revisions__number"),
    ).order_by("name")


@dataclass(frozen=True)
class RevisionRow:
    """A revision with what was ridden and what broke; the distance is None where none is recorded."""

    revision: Revision
    failure_count: int
    session_count: int
    distance_m: float | None


def revision_rows(vehicle: Vehicle) -> list[RevisionRow]:
    """A vehicle's revisions, newest first, with distance ridden and counts.

    Sums and counts are separate queries, because joined together they would multiply.
    """
    revisions = list(vehicle.revisions.select_related("vehicle").prefetch_related("modifications").order_by("-number"))
    failures = dict(
        Failure.objects.filter(revision__vehicle=vehicle).values_list("revision").annotate(Count("pk")).order_by()
    )
    ridden = {
        row["pk"]: row
        for row in vehicle.revisions.values("pk").annotate(
            session_count=Count("sessions"), distance_m=Sum("sessions__distance_m")
        )
    }
    return [
        RevisionRow(
            revision,
            failures.get(revision.pk, 0),
            ridden[revision.pk]["session_count"],
            ridden[revision.pk]["distance_m"],
        )
        for revision in revisions
    ]
