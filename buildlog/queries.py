"""Reads of what was built and what broke, each with a fixed number of queries."""

from __future__ import annotations

from django.db.models import Count, Max, Prefetch, QuerySet, Sum

from buildlog.models import Failure, Fitting, Modification, Part, Photo, Revision, Vehicle


def vehicles() -> QuerySet[Vehicle]:
    """Vehicles by name, with how many revisions and failures each has, and its newest revision's number."""
    return Vehicle.objects.annotate(
        revision_count=Count("revisions", distinct=True),
        failure_count=Count("revisions__failures", distinct=True),
        newest_number=Max("revisions__number"),
    ).order_by("name")


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


def with_line(path: str) -> Prefetch:
    """The same for the vehicles of many records, where `path` leads from a record to its vehicle."""
    revisions = Revision.objects.prefetch_related(Prefetch("fittings", queryset=Fitting.objects.select_related("part")))
    return Prefetch(f"{path}__revisions", queryset=revisions, to_attr=LINE)


def revision_rows(vehicle: Vehicle) -> list[Revision]:
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
    for revision in revisions:
        revision.failure_count = failures.get(revision.pk, 0)
        revision.session_count = ridden[revision.pk]["session_count"]
        revision.distance_m = ridden[revision.pk]["distance_m"]
    return revisions


def failures() -> QuerySet[Failure]:
    found = Failure.objects.select_related("mode", "part", "cause", "revision__vehicle", "session__venue")
    return found.select_related("recurrence_of__mode", "recurrence_of__revision__vehicle").prefetch_related(
        Prefetch("answered_by", queryset=Modification.objects.select_related("revision__vehicle"))
    )


def parts() -> QuerySet[Part]:
    return Part.objects.annotate(fitting_count=Count("fittings")).order_by("category", "name")


def photos_of(**subject: object) -> QuerySet[Photo]:
    return Photo.objects.filter(**subject)
