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
        records = records.filter(_condition(word))
    return records


def _condition(word: str) -> Q:
    named = Q(venue__name__icontains=word) | Q(revision__vehicle__name__icontains=word)
    if revision := REVISION.fullmatch(word):
        return named | Q(revision__number=int(revision[1]))
    if date := DATE.fullmatch(word):
        year, month, day = (int(part) if part else None for part in date.groups())
        of_date = Q(started_at__year=year)
        if month is not None:
            of_date &= Q(started_at__month=month)
        if day is not None:
            of_date &= Q(started_at__day=day)
        return named | of_date
    return named
