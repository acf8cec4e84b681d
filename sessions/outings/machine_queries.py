"""Queries of machines with their sessions and failures."""

from __future__ import annotations

import uuid
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from django.db.models import Count, IntegerField, Max, OuterRef, QuerySet, Subquery, Sum
from django.db.models.functions import Coalesce

from buildlog.failures.models import Failure, Modification
from buildlog.machines.models import Revision, Vehicle
from sessions.outings.models import Session


def vehicles() -> QuerySet[Vehicle]:
    """Vehicles by name, with how many revisions and failures each has, and its newest revision's number.

    Each is a query within the query: beside a join, one would be worked out anew for every row of the other.
    """
    revisions = Revision.objects.filter(vehicle=OuterRef("pk")).order_by().values("vehicle")
    failures = Failure.objects.filter(revision__vehicle=OuterRef("pk")).order_by().values("revision__vehicle")
    counts = {
        # Counted by the column of the index that leads to them, so that no record itself is read.
        "revision_count": revisions.annotate(value=Count("vehicle_id")).values("value"),
        "newest_number": revisions.annotate(value=Max("number")).values("value"),
        "failure_count": failures.annotate(value=Count("revision_id")).values("value"),
    }
    subqueries = {name: Coalesce(Subquery(rows, output_field=IntegerField()), 0) for name, rows in counts.items()}
    return Vehicle.objects.annotate(**subqueries).order_by("name")


@dataclass(frozen=True)
class RevisionRow:
    """A revision with its modifications, distance and failures; the distance is None where none is recorded."""

    revision: Revision
    modifications: list[Modification]
    failure_count: int
    session_count: int
    distance_m: float | None


def revision_rows(revisions: Sequence[Revision]) -> list[RevisionRow]:
    """What a list shows of these revisions, in three queries: joined together, sums and counts would multiply."""
    keys = [revision.pk for revision in revisions]
    changes: dict[uuid.UUID, list[Modification]] = {key: [] for key in keys}
    for modification in Modification.objects.filter(revision__in=keys).order_by("title"):
        changes[modification.revision_id].append(modification)
    failures = dict(Failure.objects.filter(revision__in=keys).order_by().values_list("revision").annotate(Count("pk")))
    ridden = {
        key: (sessions, distance_m)
        for key, sessions, distance_m in Session.objects.filter(revision__in=keys)
        .order_by()
        .values_list("revision")
        .annotate(Count("pk"), Sum("distance_m"))
    }
    return [
        RevisionRow(revision, changes[revision.pk], failures.get(revision.pk, 0), *ridden.get(revision.pk, (0, None)))
        for revision in revisions
    ]


def load_of(revision: Revision) -> float | None:
    """Rider and payload of the machine's last session that recorded a rider, or those the revision names."""
    # The last of each revision, by the index of its sessions; all of a machine's would have to be put in order.
    ridden = Session.objects.filter(revision=OuterRef("pk"), rider_mass_kg__isnull=False)
    newest = Subquery(ridden.order_by("-started_at", "-pk").values("pk")[:1])
    rows = Session.objects.filter(pk__in=Revision.objects.filter(vehicle=revision.vehicle_id).values_list(newest))
    last = rows.order_by("-started_at", "-pk").only("rider_mass_kg", "payload_kg").first()
    if last is None or last.rider_mass_kg is None:
        return revision.rider_mass_kg
    return last.rider_mass_kg + (last.payload_kg or 0.0)


def loads_of(vehicles: Collection[uuid.UUID]) -> dict[uuid.UUID, float]:
    """The same of many machines in one query; those that nobody rode are left out."""
    ridden = Session.objects.filter(revision__vehicle=OuterRef("pk"), rider_mass_kg__isnull=False).order_by(
        "-started_at", "-pk"
    )
    rows = Vehicle.objects.filter(pk__in=vehicles).order_by()
    loads = rows.values_list(
        "pk", Subquery(ridden.values("rider_mass_kg")[:1]), Subquery(ridden.values("payload_kg")[:1])
    )
    return {key: rider_kg + (payload_kg or 0.0) for key, rider_kg, payload_kg in loads if rider_kg is not None}
