"""The lists of sessions and of passes, with their results in the rows."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Sequence
from typing import Any

from django.contrib import messages
from django.db import transaction
from django.db.models import Exists, OuterRef, Q, QuerySet
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_POST, require_safe

from buildlog.failures import session_choice
from buildlog.machines.models import Revision, Vehicle
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.records import history
from buildlog.records.list_pages import asked_record, list_page
from buildlog.records.list_query import Filter, ListQuery, csv_answer
from sessions.evidence.row_results import RESULTS, PassResult, pass_results, session_results
from sessions.outings import queries
from sessions.outings.models import Pass, Session, Venue

SORTS = (("newest", "Newest first"), ("oldest", "Oldest first"), ("farthest", "Farthest ridden first"))
SESSIONS_OF_PASSES = 6
"""So many sessions a page of passes shows, whole."""
MOST_TICKED = 500


def _named(records: QuerySet[Any]) -> list[tuple[str, str]]:
    return [(str(key), name) for key, name in records.order_by("name").values_list("pk", "name")]


def _query(request: SignedInRequest, sorts: Sequence[tuple[str, str]], *more: Filter) -> ListQuery:
    filters = [
        Filter("vehicle", "Machine", _named(Vehicle.objects.all())),
        Filter("venue", "Venue", _named(Venue.objects.all())),
        *more,
    ]
    return ListQuery(request.GET, filters, sorts, subjects=["revision"])


def _only_ones(query: ListQuery) -> dict[str, bool]:
    """Whether there is one machine, and one venue: then no row need name it."""
    machines, venues = (known.choices for known in query.filters[:2])
    return {"one_machine": len(machines) == 1, "one_venue": len(venues) == 1}


def _chosen(rows: QuerySet[Session], query: ListQuery, revision: Revision | None) -> QuerySet[Session]:
    """The sessions that fit every word and filter."""
    for word in query.words:
        rows = rows.filter(session_choice.condition(word) | Q(notes__icontains=word))
    if query.chosen("vehicle"):
        rows = rows.filter(revision__vehicle__pk=query.chosen("vehicle"))
    if query.chosen("venue"):
        rows = rows.filter(venue__pk=query.chosen("venue"))
    return rows if revision is None else rows.filter(revision=revision)


@require_safe
def sessions(request: SignedInRequest) -> HttpResponse:
    """Sessions, newest first unless another order is asked for, a page at a time, with their results."""
    revision = asked_record(Revision.objects.select_related("vehicle"), request.GET.get("revision"))
    query = _query(request, SORTS, Filter("surface", "Surface", Session.Surface.choices))
    rows = _chosen(queries.session_rows(), query, revision)
    if query.chosen("surface"):
        rows = rows.filter(surface=query.chosen("surface"))
    order = {"moment": "started_at", "descending": query.sort != "oldest"}
    if query.sort == "farthest":
        order["moment"], rows = "distance_m", rows.filter(distance_m__isnull=False)
    if query.is_export:
        return _sessions_as_csv(list(rows.order_by("-started_at", "-pk")))
    page = list_page(rows, request.GET, **order)  # type: ignore[arg-type]  # a name and a truth value
    _note_results(page.rows)
    context = {
        "page": page,
        "sessions": page.rows,
        "query": query,
        "results": RESULTS,
        **_only_ones(query),
        "revision": revision,
        "any_revision": bool(page.rows) or Revision.objects.exists(),
    }
    return render(request, "evidence/sessions.html", context)


def _note_results(rows: Sequence[Any]) -> None:
    queries.count_passes_and_failures(rows)
    results = session_results(rows)
    for session in rows:
        session.results = results[session.pk]


def _sessions_as_csv(rows: list[Any]) -> HttpResponse:
    _note_results(rows)
    names = ["start", "machine", "venue", "surface", "air_temperature_c", "distance_m"]
    names += [name for result in RESULTS for name in (result.key, f"u_{result.key}")]
    table = (
        [
            session.started_at.isoformat(),
            str(session.revision),
            session.venue.name,
            session.surface,
            session.air_temperature_c,
            session.distance_m,
            *(number for value in session.results.values for number in (value and value.value, value and value.u)),
            session.pass_count,
            session.failure_count,
            " ".join(session.results.in_doubt),
        ]
        for session in rows
    )
    return csv_answer("sessions", [*names, "passes", "failures", "in_doubt"], table)


@require_safe
def passes(request: SignedInRequest) -> HttpResponse:
    """Passes by session, the newest first, with their speeds."""
    revision = asked_record(Revision.objects.select_related("vehicle"), request.GET.get("revision"))
    counts = Filter("counts", "Counts", [("yes", "Counts"), ("no", "Does not count")])
    directions = Filter("direction", "Direction", Pass.Direction.choices)
    query = _query(request, SORTS[:2], directions, counts)
    chosen = Q()
    if query.chosen("direction"):
        chosen &= Q(direction=query.chosen("direction"))
    if query.chosen("counts"):
        chosen &= Q(valid=query.chosen("counts") == "yes")
    of_session = Pass.objects.filter(chosen, session=OuterRef("pk"))
    rows = _chosen(queries.session_rows(), query, revision).filter(Exists(of_session))
    if query.is_export:
        return _passes_as_csv(list(rows.order_by("-started_at", "-pk")), chosen)
    page = list_page(rows, request.GET, size=SESSIONS_OF_PASSES, descending=query.sort != "oldest")
    listed = [(session, _only_gate(results), results) for session, results in _with_passes(page.rows, chosen)]
    context = {
        "page": page,
        "query": query,
        "sessions": listed,
        "revision": revision,
        "any": Pass.objects.exists(),
        **_only_ones(query),
    }
    return render(request, "evidence/passes.html", context)


def _only_gate(results: Sequence[PassResult]) -> str:
    """The name of the gate that all passes of a session went through; "" where they went through several."""
    names = {result.run.gate_id: result.run.gate.name for result in results}
    return next(iter(names.values())) if len(names) == 1 else ""


def _with_passes(rows: Sequence[Any], chosen: Q) -> Iterable[tuple[Any, list[PassResult]]]:
    results = pass_results(rows, chosen)
    return ((session, results.get(session.pk, [])) for session in rows)


def _passes_as_csv(rows: list[Any], chosen: Q) -> HttpResponse:
    names = ["start", "machine", "venue", "gate", "number", "direction", "duration_s", "speed_mps", "u_speed_mps"]
    table = (
        [
            session.started_at.isoformat(),
            str(session.revision),
            session.venue.name,
            result.run.gate.name,
            result.run.number,
            result.run.direction,
            result.run.duration_s,
            result.speed and float(result.speed.value),
            result.speed and float(result.speed.u),
            "yes" if result.run.valid else "no",
            result.run.invalid_reason,
            "duration_s" if result.in_doubt else "",
        ]
        for session, results in _with_passes(rows, chosen)
        for result in results
    )
    return csv_answer("passes", [*names, "counts", "reason", "in_doubt"], table)


@require_POST
@needs(Right.LOG)
def count_passes(request: SignedInRequest) -> HttpResponse:
    """Let the ticked passes count, or not; each change has its line in the log of changes."""
    keys = [key for text in request.POST.getlist("pass")[:MOST_TICKED] if (key := _key(text)) is not None]
    counts, reason = request.POST.get("counts") == "yes", request.POST.get("reason", "").strip()[:200]
    back = request.POST.get("back", "")
    page = redirect(back) if url_has_allowed_host_and_scheme(back, {request.get_host()}) else redirect("passes")
    if not keys:
        messages.warning(request, "Tick the passes first.")
        return page
    if not counts and not reason:
        messages.warning(request, "Say why they do not count, for example: braked before the mark.")
        return page
    with transaction.atomic():
        changed = list(Pass.objects.select_for_update().filter(pk__in=keys).exclude(valid=counts))
        standing = [run for run in changed if counts and run.start]
        changed = [run for run in changed if run not in standing]
        for run in changed:
            with history.changing(run) as change:
                # What was said earlier stays beside a pass that counts again.
                run.valid, run.invalid_reason = counts, reason or run.invalid_reason
                change.fields = ["valid", "invalid_reason"]
                run.save(update_fields=change.fields)
    if standing:
        many = "1 is a standing start" if len(standing) == 1 else f"{len(standing)} are standing starts"
        messages.warning(request, f"{many}, which counts for no speed: edit the pass if it was a flying one.")
    words = "count now" if counts else "do not count any more"
    messages.success(request, f"{len(changed)} pass{'' if len(changed) == 1 else 'es'} {words}.")
    return page


def _key(text: str) -> uuid.UUID | None:
    try:
        return uuid.UUID(text)
    except ValueError:
        return None
