"""Sessions with what their pages list."""

from __future__ import annotations

from django.db.models import Prefetch, QuerySet

from sessions.logs.models import Log
from sessions.outings.models import Pass, Session


def sessions_with_records() -> QuerySet[Session]:
    """Sessions with their passes, readings and logs, as their pages list them."""
    return Session.objects.select_related("revision__vehicle__assumptions", "venue").prefetch_related(
        "readings",
        Prefetch("logs", queryset=Log.objects.order_by("first_at", "stored_at")),
        Prefetch("passes", queryset=Pass.objects.select_related("gate")),
    )
