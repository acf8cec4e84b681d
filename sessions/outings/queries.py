"""Lists of sessions and venues, each with a fixed number of queries."""

from __future__ import annotations

from typing import Any

from django.db.models import Count, Q, QuerySet

from buildlog.machines.models import Revision
from sessions.outings.models import Session, Venue


def session_rows() -> QuerySet[Session]:
    """Sessions for a list, newest first: where, with what, and how many valid passes and failures.

    The order is repeated here and below, because counting drops the default order of a model.
    """
    rows = Session.objects.select_related("revision__vehicle", "venue").annotate(
        pass_count=Count("passes", filter=Q(passes__valid=True), distinct=True),
        failure_count=Count("failures", distinct=True),
    )
    return rows.order_by("-started_at", "pk")


def venue_rows() -> QuerySet[Venue]:
    rows = Venue.objects.annotate(
        session_count=Count("sessions", distinct=True), gate_count=Count("gates", distinct=True)
    )
    return rows.order_by("name")


def likely_start() -> dict[str, Any]:
    """The most likely initial values of a new session."""
    revision = Revision.objects.filter(status=Revision.Status.RIDING).order_by("-date", "-number").first()
    last = Session.objects.order_by("-started_at").first()
    start: dict[str, Any] = {}
    if revision is not None:
        start["revision"] = revision.pk
    if last is not None:
        start |= {"venue": last.venue_id, "rider_mass_kg": last.rider_mass_kg}
    return start
