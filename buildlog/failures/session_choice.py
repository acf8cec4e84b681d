"""Finding the session in which something failed by a few words: its venue, machine, revision or date."""

from __future__ import annotations

import re
from typing import Any

from django.db.models import Q, QuerySet

from buildlog.failures.models import Failure

REVISION = re.compile(r"[Rr](\d{1,4})")
DATE = re.compile(r"([12]\d{3})(?:-(\d{1,2}))?(?:-(\d{1,2}))?")
MOST_WORDS = 8
EXAMPLE = "Venue, machine, revision or date, for example: R3 2026-01"


def sessions() -> QuerySet[Any]:
    """Sessions with what their names show, the newest first."""
    return Failure.session.get_queryset().select_related("revision__vehicle", "venue").order_by("-started_at", "-pk")


def matching(records: QuerySet[Any], text: str) -> QuerySet[Any]:
    """Sessions to which every word fits."""
    for word in text.split()[:MOST_WORDS]:
        records = records.filter(condition(word))
    return records


def condition(word: str, prefix: str = "") -> Q:
    """Sessions that a word fits; `prefix` leads to them from another record, such as `session__`."""
    named = Q(**{f"{prefix}venue__name__icontains": word}) | Q(**{f"{prefix}revision__vehicle__name__icontains": word})
    if revision := REVISION.fullmatch(word):
        return named | Q(**{f"{prefix}revision__number": int(revision[1])})
    if date := DATE.fullmatch(word):
        year, month, day = (int(part) if part else None for part in date.groups())
        parts = {"year": year, "month": month, "day": day}
        known = {f"{prefix}started_at__{name}": value for name, value in parts.items() if value is not None}
        return named | Q(**known)
    return named
