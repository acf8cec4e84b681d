"""Reads of failures."""

from __future__ import annotations

from django.db.models import Prefetch, QuerySet

from buildlog.failures.models import Failure, Modification


def failure_rows() -> QuerySet[Failure]:
    failures = Failure.objects.select_related("mode", "part", "cause", "revision__vehicle", "session__venue")
    return failures.select_related("recurrence_of__mode", "recurrence_of__revision__vehicle").prefetch_related(
        Prefetch("answered_by", queryset=Modification.objects.select_related("revision__vehicle"))
    )
