"""All recordings of a session together: panels over one clock, their results, and the offsets of their clocks."""

from __future__ import annotations

import itertools
import math
import uuid
from typing import Any

from django.contrib import messages
from django.db import transaction
from django.http import Http404, HttpResponse, JsonResponse, QueryDict, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST, require_safe

from buildlog.failures.queries import failure_rows
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.records import history
from calc.quantities import NotUnderstood, understand
from sessions.drawing.from_above import FromAbove, from_above
from sessions.drawing.line_panels import LinePanels, packed
from sessions.logs import charts, ride_charts
from sessions.logs.clocks import suggestions_of
from sessions.logs.coasting import BACK, CannotFit, Coasting, coastings_of, fit_of, power_curve
from sessions.logs.columns import open_columns
from sessions.logs.derived import results_of
from sessions.logs.events import MOST_SHOWN, events_of
from sessions.logs.first_picture import STRETCHES as PICTURE_STRETCHES
from sessions.logs.first_picture import first_picture
from sessions.logs.models import FormulaChannel, Log
from sessions.logs.queries import sessions_with_records
from sessions.logs.slices import CannotOverlay, can_be_laid_over, comparable_passes, overlay_of, slice_as_csv
from sessions.logs.timeline import Timeline
from sessions.outings.models import Assumptions, Pass, Session


@require_safe
def recordings(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """The logs of a session, one over the other; coasting stretches are chosen in the address."""
    session = get_object_or_404(sessions_with_records(), pk=pk)
    with Timeline(session, session.logs.all()) as timeline:
        return render(request, "logs/recordings.html", _recordings(request, timeline))


def _recordings(request: SignedInRequest, timeline: Timeline) -> dict[str, Any]:
    session, system = timeline.session, request.user.unit_system
    lines = charts.lines_of(timeline)
    known_failures = list(failure_rows().filter(session=session))
    drawn = {}
    if lines:
        panels = charts.panels_of(lines, system, stretches=PICTURE_STRETCHES, readings=session.readings.all())
        drawn["panels"] = charts.over_session(timeline, panels, session.passes.all(), known_failures)
    track = from_above(charts.track(timeline, session.venue.gates.prefetch_related("marks")))
    events = events_of(timeline, known_failures)
    coasting, overlay = _coasting(request, timeline), _overlay(request, timeline)
    drawn |= {name: more[name] for name, more in (("power", coasting), ("laid_over", overlay)) if name in more}
    suggestions = suggestions_of(timeline)
    results = results_of(timeline, Assumptions.of(session.revision.vehicle))
    return {
        "session": session,
        "waiting": session.logs.filter(state=Log.State.WAITING).select_related("pending_import"),
        "timeline": timeline,
        "suggestions": suggestions,
        "clocks_differ": any(row.is_worth_taking for row in suggestions),
        "results": results,
        "cautions": list(dict.fromkeys(result.caution for result in results if result.caution)),
        "events": events[:MOST_SHOWN],
        "more_events": max(len(events) - MOST_SHOWN, 0),
        **coasting,
        **overlay,
        "pictures": {name: first_picture(picture) for name, picture in drawn.items()},
        "track": track,
        "charts": _for_script(drawn, track),
    }


def _for_script(drawn: dict[str, LinePanels], track: FromAbove | None) -> dict[str, Any]:
    """What the script draws from. It asks for the lines over the session's time when somebody looks closer."""
    described = {name: panels.described() for name, panels in drawn.items()}
    for name, panels in drawn.items():
        if name != "panels":
            described[name]["lines"] = panels.packed()
    return described | {"track": track.clocks if track else []}


def _coasting(request: SignedInRequest, timeline: Timeline) -> dict[str, Any]:
    stretches = coastings_of(timeline)
    numbers = request.GET.getlist("coast")
    chosen = [stretch for stretch in stretches if str(stretch.number) in numbers]
    back = {stretch.number for stretch in stretches if _way(request, stretch, bool(chosen)) == BACK}
    rows = [{"coast": stretch, "chosen": stretch in chosen, "back": stretch.number in back} for stretch in stretches]
    context: dict[str, Any] = {"coastings": rows}
    if chosen:
        try:
            context["fit"] = fit = fit_of(timeline, chosen, back)
            curve = power_curve(fit.load, max(stretch.from_mps for stretch in chosen))
            if curve is not None:
                context["power"] = ride_charts.power_curve(*curve, system=request.user.unit_system)
        except CannotFit as error:
            context["cannot_fit"] = str(error)
    return context


def _way(request: SignedInRequest, stretch: Coasting, by_hand: bool) -> str:
    return request.GET.get(f"way_{stretch.number}", "") if by_hand else stretch.direction


@require_safe
def recordings_window(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """The lines of the panels between two moments, as fine as a screen shows them."""
    stretch = _stretch(request)
    if stretch is None:
        return JsonResponse({"detail": STRETCH}, status=400)
    from_s, to_s = stretch
    session = get_object_or_404(Session.objects.select_related("revision").prefetch_related("logs"), pk=pk)
    with Timeline(session, session.logs.all()) as timeline:
        lines = charts.lines_of(timeline)
        panels = charts.panels_of(lines, request.user.unit_system, from_s, to_s, _stretches(request))
        return JsonResponse({"lines": [packed(line.along, line.values) for panel in panels for line in panel.lines]})


def _stretches(request: SignedInRequest) -> int:
    """One for each pixel of the chart, where the address says how wide it is: a phone draws fewer points sooner."""
    width = request.GET.get("width_px", "")
    if not (width.isascii() and width.isdigit()) or len(width) > 6:
        return charts.STRETCHES
    return min(max(int(width), charts.FEWEST_STRETCHES), charts.STRETCHES)


STRETCH = "from_s and to_s must be seconds into the session, from_s the smaller, for example 60 and 90."


def _stretch(request: SignedInRequest) -> tuple[float, float] | None:
    """The stretch of time that an address names; None where it names none."""
    try:
        from_s, to_s = (float(request.GET[name]) for name in ("from_s", "to_s"))
    except (KeyError, ValueError):
        return None
    return (from_s, to_s) if math.isfinite(from_s) and math.isfinite(to_s) and from_s < to_s else None


@require_safe
def log_slice(request: SignedInRequest, pk: uuid.UUID) -> HttpResponseBase:
    """What a log holds between two moments of its session, as CSV; all of it where the address names none."""
    log = get_object_or_404(Log.objects.select_related("session__revision"), pk=pk, state=Log.State.READ)
    stretch = _stretch(request)
    if stretch is None and request.GET:
        return HttpResponse(STRETCH, status=400, content_type="text/plain")
    try:
        columns = open_columns(log)
    except FileNotFoundError:
        raise Http404("The log's file is gone from the data folder.") from None
    formulas = list(FormulaChannel.objects.filter(vehicle=log.session.revision.vehicle_id))
    rows = slice_as_csv(log, columns, *(stretch or (-math.inf, math.inf)), formulas)
    answer = StreamingHttpResponse(rows, content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="log-{log.pk}.csv"'
    return answer


def _overlay(request: SignedInRequest, timeline: Timeline) -> dict[str, Any]:
    """Two passes over each other, as chosen in the address; else nothing but what can be chosen."""
    runs = comparable_passes(timeline)
    if len(runs) < 2:
        return {}
    chosen = [next((run for run in runs if str(run.pk) == request.GET.get(name)), None) for name in ("first", "second")]
    labels = (("first", "First pass"), ("second", "Second pass"))
    context: dict[str, Any] = {"comparable": runs, "chosen_passes": chosen, "pass_choices": labels}
    first, second = chosen
    if first is None or second is None:
        return context | {"chosen_passes": _first_pair(runs)}
    try:
        context["overlay"] = overlay = overlay_of(timeline, first, second)
        context["laid_over"] = ride_charts.overlay(overlay, request.user.unit_system)
    except CannotOverlay as error:
        context["cannot_overlay"] = str(error)
    return context


def _first_pair(runs: list[Pass]) -> tuple[Pass, Pass] | list[None]:
    """Two passes that can be laid over each other, to begin with."""
    pairs = itertools.combinations(runs, 2)
    return next((pair for pair in pairs if can_be_laid_over(*pair)), [None, None])


@require_POST
@needs(Right.LOG)
def place_log(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """Move a log on the session's clock: by its own clock, by its speeds, or by hand."""
    log = get_object_or_404(Log.objects.select_related("session"), pk=pk, state=Log.State.READ)
    how = request.POST.get("clock", "")
    begins_s: float | None = None
    if how in (Log.Clock.SPEEDS, Log.Clock.HAND):
        try:
            begins_s = _begins_s(log, request.POST)
        except NotUnderstood as error:
            messages.error(request, f"Begins, into the session: {error}")
            return redirect("recordings", log.session_id)
        if not abs(begins_s) <= 1e6:
            messages.error(request, "Begins, into the session: at most 1,000,000 s either way, for example 7,33 s.")
            return redirect("recordings", log.session_id)
    elif how != Log.Clock.OWN:
        messages.error(request, "Choose how the log is placed: by its own clock, its speeds, or hand.")
        return redirect("recordings", log.session_id)
    with transaction.atomic(), history.changing(log) as change:
        log.clock, log.begins_into_session_s = how, begins_s
        change.fields = ["clock", "begins_into_session_s"]
        log.save(update_fields=change.fields)
    messages.success(request, f"{log.name} begins {log.begins_s:.2f} s into the session.")
    return redirect("recordings", log.session_id)


def _begins_s(log: Log, posted: QueryDict) -> float:
    """Where a log is to begin: as typed, or so that an instant that was marked in it lies on the same one of another
    log. Raises NotUnderstood."""
    if "seen_here" in posted:
        here_s, there_s = (understand(posted.get(name, ""), "duration") for name in ("seen_here", "seen_there"))
        return log.begins_s + there_s - here_s
    return understand(posted.get("begins", ""), "duration")
