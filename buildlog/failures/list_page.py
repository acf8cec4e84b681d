"""The list of failures."""

from __future__ import annotations

from typing import Any

from django.db.models import Q
from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from buildlog.failures.loop import States, note_states
from buildlog.failures.models import Failure
from buildlog.failures.queries import failure_list, failures_of_machine
from buildlog.failures.session_choice import REVISION
from buildlog.machines.models import Part, Revision, Vehicle
from buildlog.people.signed_in import SignedInRequest
from buildlog.records.list_pages import asked_record, list_page
from buildlog.records.list_query import Filter, ListQuery, csv_answer

NOT_HELD = "not_held"
"""In the address: every state but held."""
SORTS = (("newest", "Newest first"), ("oldest", "Oldest first"))
_SEARCHED = (
    "mode__name",
    "part__name",
    "conditions",
    "cause__statement",
    "revision__vehicle__name",
    "session__venue__name",
)


@require_safe
def failures(request: SignedInRequest) -> HttpResponse:
    """Failures, newest first unless asked otherwise, a page at a time; narrowed by words, filters and subjects."""
    subjects = {}
    rows = failure_list()
    for name, records in (
        ("vehicle", Vehicle.objects.select_related("assumptions")),
        ("revision", Revision.objects.select_related("vehicle__assumptions")),
        ("part", Part.objects.all()),
    ):
        subject = asked_record(records, request.GET.get(name))
        if subject is not None:
            subjects[name] = subject
            rows = failures_of_machine(rows, subject) if name == "vehicle" else rows.filter(**{name: subject})
    severities = Filter("severity", "Severity", [(str(value), label) for value, label in Failure.Severity.choices])
    states = Filter("state", "State", [(NOT_HELD, "Not yet held"), *Failure.State.choices])
    query = ListQuery(request.GET, [states, severities], SORTS, subjects)
    for word in query.words:
        rows = rows.filter(_condition(word))
    if query.chosen("severity"):
        rows = rows.filter(severity=query.chosen("severity"))
    machines = None
    if state := query.chosen("state"):
        wanted = [known for known in Failure.State.values if known != Failure.State.HELD]
        machines = States(_machines(subjects))
        rows = rows.filter(machines.in_state(*(wanted if state == NOT_HELD else [state])))
    if query.is_export:
        return _as_csv(list(rows.select_related("cause").order_by("-happened_at", "-pk")))
    page = list_page(rows, request.GET, moment="happened_at", descending=query.sort != "oldest")
    if machines is not None:
        machines.note_on(page.rows)
    else:
        note_states(page.rows)
    context = {"page": page, "failures": page.rows, "query": query, "subjects": subjects}
    return render(request, "failures/failures.html", context)


def _condition(word: str) -> Q:
    """Failures that a word fits: by a name, what was noted, a revision, or a part of their date."""
    condition = Q()
    for name in _SEARCHED:
        condition |= Q(**{f"{name}__icontains": word})
    if revision := REVISION.fullmatch(word):
        condition |= Q(revision__number=int(revision[1]))
    return condition


def _as_csv(rows: list[Failure]) -> HttpResponse:
    note_states(rows)
    names = ["when", "machine", "mode", "severity", "state", "effect", "part", "conditions", "cause"]
    table = (
        [
            failure.happened_at.isoformat(),
            str(failure.revision),
            failure.mode.name,
            failure.severity,
            failure.state,
            failure.effect,
            failure.part.name if failure.part else "",
            failure.conditions,
            failure.cause.statement if failure.cause else "",
        ]
        for failure in rows
    )
    return csv_answer("failures", names, table)


def _machines(subjects: dict[str, Any]) -> list[Vehicle]:
    """The machines whose failures a list may hold."""
    if "revision" in subjects:
        return [subjects["revision"].vehicle]
    if "vehicle" in subjects:
        return [subjects["vehicle"]]
    return list(Vehicle.objects.select_related("assumptions"))
