"""Sessions with all that their results are worked out from."""

from __future__ import annotations

import uuid
from collections.abc import Collection

from django.db.models import Prefetch, QuerySet

from buildlog.machines.models import Revision
from buildlog.machines.queries import with_line
from sessions.logs.models import Log
from sessions.outings.models import Pass, Session


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
