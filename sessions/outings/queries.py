"""Lists of sessions and venues, each with a fixed number of queries."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.core.exceptions import ValidationError
from django.db.models import Count, IntegerField, OuterRef, QuerySet, Subquery
from django.db.models.functions import Coalesce

from buildlog.failures.models import Failure
from buildlog.machines.models import Revision
from sessions.outings.models import Gate, Pass, Session, Venue


def session_rows() -> QuerySet[Session]:
    """Sessions for a list: where and with what."""
    return Session.objects.select_related("revision__vehicle", "venue")


def count_passes_and_failures(sessions: Sequence[Any]) -> None:
    """Give each session of a page its `pass_count` of valid passes and its `failure_count`, in two queries.

    Counted for these rows only: joined to the list, the whole table would be counted for one page of it.
    """
    keys = [session.pk for session in sessions]
    passes = dict(
        Pass.objects.filter(session__in=keys, valid=True).order_by().values_list("session").annotate(Count("pk"))
    )
    failures = dict(Failure.objects.filter(session__in=keys).order_by().values_list("session").annotate(Count("pk")))
    for session in sessions:
        session.pass_count, session.failure_count = passes.get(session.pk, 0), failures.get(session.pk, 0)


def venue_rows() -> QuerySet[Venue]:
    """Venues by name, with how many gates and sessions each has."""
    sessions = Session.objects.filter(venue=OuterRef("pk")).order_by().values("venue").annotate(count=Count("venue_id"))
    gates = Gate.objects.filter(venue=OuterRef("pk")).order_by().values("venue").annotate(count=Count("venue_id"))
    return Venue.objects.annotate(
        gate_count=Coalesce(Subquery(gates.values("count"), output_field=IntegerField()), 0),
        session_count=Coalesce(Subquery(sessions.values("count"), output_field=IntegerField()), 0),
    ).order_by("name")


def last_session(revision: Any) -> Session | None:
    """The last session of the machine of a revision's key, or of all machines where there is no such key."""
    rows = Session.objects.select_related("venue").order_by("-started_at", "-pk")
    try:
        machine = Revision.objects.filter(pk=revision).values("vehicle") if revision else None
        return (rows if machine is None else rows.filter(revision__vehicle__in=machine)).first()
    except (ValidationError, ValueError):
        return None


def likely_start() -> dict[str, Any]:
    """The most likely initial values of a new session: the revision that rides, or else the newest."""
    revisions = Revision.objects.order_by("-date", "-number")
    revision = revisions.filter(status=Revision.Status.RIDING).first() or revisions.first()
    last = Session.objects.order_by("-started_at").first()
    start: dict[str, Any] = {}
    if revision is not None:
        start["revision"] = revision.pk
    if last is not None:
        start |= {"venue": last.venue_id, "rider_mass_kg": last.rider_mass_kg}
    elif len(venues := Venue.objects.values_list("pk", flat=True)[:2]) == 1:
        start["venue"] = venues[0]
    return start
