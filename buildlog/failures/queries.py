"""Reads of failures."""

from __future__ import annotations

from django.db.models import Prefetch, QuerySet

from buildlog.failures.models import Failure, Modification


def failure_list() -> QuerySet[Failure]:
    """Failures as a list shows them."""
    return Failure.objects.select_related("mode", "part", "revision__vehicle")


def failure_rows() -> QuerySet[Failure]:
    """Failures with all that their own pages show."""
    failures = Failure.objects.select_related("mode", "part", "cause", "revision__vehicle", "session__venue")
    answers = Modification.objects.select_related("revision__vehicle").order_by("revision__number", "title")
    return failures.select_related("recurrence_of__mode", "recurrence_of__revision__vehicle").prefetch_related(
        Prefetch("answered_by", queryset=answers)
    )
