"""Reads of what happened out there, each with a fixed number of queries."""

from __future__ import annotations

import uuid
from collections.abc import Collection
from typing import Any

from django.db.models import Count, Prefetch, Q, QuerySet

from buildlog.models import Revision
from buildlog.queries import with_line
from sessions.models import Log, Pass, Session, Venue


def session_rows() -> QuerySet[Session]:
    """Sessions for a list, newest first: where, with what, and how many valid passes and failures.

    The order is said again here and below, because counting drops a model's own order.
    """
    found = Session.objects.select_related("revision__vehicle", "venue").annotate(
        pass_count=Count("passes", filter=Q(passes__valid=True), distinct=True),
        failure_count=Count("failures", distinct=True),
    )
    return found.order_by("-started_at", "pk")


def sessions_with_evidence() -> QuerySet[Session]:
    """Sessions with all that their results are worked out from."""
    return _with_measurements(
        Session.objects.select_related("revision__vehicle__assumptions", "venue")
    ).prefetch_related(with_line("revision__vehicle"))


def sessions_of_line(revisions: list[Revision], chosen: Collection[uuid.UUID]) -> list[Session]:
    """Sessions of the chosen revisions with their evidence, in the order of time.

    `revisions` come from `read_line`: they are not read a second time for the sessions.
    """
    by_key = {revision.pk: revision for revision in revisions}
    rows = Session.objects.filter(revision__in=set(chosen) & set(by_key)).select_related("venue")
    sessions = list(_with_measurements(rows).order_by("started_at"))
    for session in sessions:
        session.revision = by_key[session.revision_id]
    return sessions


def _with_measurements(sessions: QuerySet[Session]) -> QuerySet[Session]:
    """Gates are fetched once each, not once for every pass: thousands of passes share a few of them."""
    return sessions.prefetch_related(
        "readings",
        Prefetch("logs", queryset=Log.objects.order_by("first_at", "stored_at")),
        Prefetch("passes", queryset=Pass.objects.prefetch_related("gate__marks")),
    )


def venue_rows() -> QuerySet[Venue]:
    found = Venue.objects.annotate(
        session_count=Count("sessions", distinct=True), gate_count=Count("gates", distinct=True)
    )
    return found.order_by("name")


def likely_start() -> dict[str, Any]:
    """What a new session most likely starts with."""
    revision = Revision.objects.filter(status=Revision.Status.RIDING).order_by("-date", "-number").first()
    last = Session.objects.order_by("-started_at").first()
    start: dict[str, Any] = {}
    if revision is not None:
        start["revision"] = revision.pk
    if last is not None:
        start |= {"venue": last.venue_id, "rider_mass_kg": last.rider_mass_kg}
    return start
