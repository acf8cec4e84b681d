"""The list of logs of all sessions."""

from __future__ import annotations

from django.db.models import Q
from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from buildlog.failures import session_choice
from buildlog.people.signed_in import SignedInRequest
from buildlog.records.list_pages import list_page
from buildlog.records.list_query import Filter, ListQuery, csv_answer
from sessions.logs.models import Log

SORTS = (("newest", "Imported last first"), ("oldest", "Imported first first"))


@require_safe
def logs(request: SignedInRequest) -> HttpResponse:
    """Logs, the last imported first unless asked otherwise, a page at a time; no recording is opened."""
    filters = [Filter("kind", "Kind", Log.Kind.choices), Filter("state", "State", Log.State.choices)]
    query = ListQuery(request.GET, filters, SORTS)
    rows = Log.objects.select_related("session__revision__vehicle", "session__venue").defer("summary", "layout")
    for word in query.words:
        rows = rows.filter(Q(name__icontains=word) | session_choice.condition(word, "session__"))
    for name in ("kind", "state"):
        if query.chosen(name):
            rows = rows.filter(**{name: query.chosen(name)})
    if query.is_export:
        return _as_csv(list(rows.order_by("-stored_at", "-pk")))
    page = list_page(rows, request.GET, moment="stored_at", descending=query.sort != "oldest")
    return render(request, "logs/logs.html", {"page": page, "logs": page.rows, "query": query})


def _as_csv(rows: list[Log]) -> HttpResponse:
    names = ["name", "kind", "state", "session", "machine", "imported", "rows", "duration_s", "length_m", "size_bytes"]
    table = (
        [
            log.name,
            log.kind,
            log.state,
            log.session.started_at.isoformat(),
            str(log.session.revision),
            log.stored_at.isoformat(),
            log.row_count,
            log.duration_s,
            log.length_m,
            log.size_bytes,
        ]
        for log in rows
    )
    return csv_answer("logs", names, table)
