"""Pages of recordings: read in, looked at, and made into passes."""

from __future__ import annotations

import uuid
from typing import Any

import numpy as np
from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_safe

from buildlog.record_pages import remove_record
from buildlog.roles import Right, needs
from calc.geodesy import local_metres
from sessions.figures import Figure, base_layout, map_style_id, scatter
from sessions.logs.columns import Columns, read_columns, store_track
from sessions.logs.crossings import accept, is_of_its_session, proposals_of
from sessions.logs.gpx import NotATrack, read_gpx
from sessions.models import Log, Session

DRAWN_POINTS = 2000


class LogForm(forms.Form):
    file = forms.FileField(label="Track from a satellite receiver (GPX 1.1)")


@require_http_methods(["GET", "HEAD", "POST"])
@needs(Right.LOG)
def new_log(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    found = get_object_or_404(Session.objects.select_related("revision__vehicle", "venue"), pk=pk)
    form = LogForm(request.POST or None, request.FILES or None)
    if request.method == "POST" and form.is_valid():
        file = form.cleaned_data["file"]
        try:
            log = store_track(found, file, read_gpx(file, file.size))
        except NotATrack as error:
            form.add_error("file", str(error))
        except ValidationError as error:
            form.add_error("file", error.messages)
        else:
            messages.success(request, f"Read in: {log.name}, {log.row_count} points.")
            return redirect(log)
    context = {"form": form, "session": found}
    return render(request, "sessions/new_log.html", context, status=422 if form.errors else 200)


@require_http_methods(["GET", "HEAD", "POST"])
def log(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    """A track on a plane, its length, and the passes it holds; a post accepts the chosen ones."""
    rows = Log.objects.select_related("session__revision__vehicle", "session__venue")
    found = get_object_or_404(rows, pk=pk)
    try:
        columns = read_columns(found)
    except FileNotFoundError:
        raise Http404("The log's file is gone from the data folder.") from None
    proposals = proposals_of(found, columns)
    if request.method == "POST":
        return _accepted(request, found, proposals)
    context = {
        "log": found,
        "session": found.session,
        "proposals": proposals,
        "is_of_its_session": is_of_its_session(found),
        "figures": {"track": _drawn(columns)},
        "map_style_id": map_style_id(),
    }
    return render(request, "sessions/log.html", context)


@needs(Right.LOG)
def _accepted(request: HttpRequest, found: Log, proposals: list[Any]) -> HttpResponse:
    wanted = set(request.POST.getlist("accept"))
    made = accept(found, [one for one in proposals if one.key in wanted])
    messages.success(request, f"{made} pass{'' if made == 1 else 'es'} added.")
    return redirect(found.session)


def _drawn(columns: Columns) -> Figure:
    """The track in metres from its first point, thinned to what a screen can show."""
    places = local_metres(columns.lat_deg, columns.lon_deg)
    step = max(1, -(-columns.lat_deg.size // DRAWN_POINTS))
    layout = base_layout("north, m")
    layout["xaxis"] = {"title": {"text": "east, m"}, "zeroline": False}
    layout["yaxis"] |= {"scaleanchor": "x"}
    east, north = (np.round(one[::step], 1).tolist() for one in (places.east_m, places.north_m))
    return {
        "data": [scatter(x=east, y=north, mode="lines", name="track", line={"color": "#0072B2"}, hoverinfo="skip")],
        "layout": layout,
    }


@require_safe
def log_original(request: HttpRequest, pk: uuid.UUID) -> FileResponse:
    """The file as it came, to be saved and never shown."""
    found = get_object_or_404(Log, pk=pk)
    try:
        file = found.original.open("rb")
    except FileNotFoundError:
        raise Http404("The log's file is gone from the data folder.") from None
    return FileResponse(
        file, as_attachment=True, filename=f"{found.pk}.{found.kind}", content_type="application/octet-stream"
    )


@require_http_methods(["GET", "HEAD", "POST"])
@needs(Right.LOG)
def remove_log(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    found = get_object_or_404(Log.objects.select_related("session"), pk=pk)
    return remove_record(request, found, back=found.get_absolute_url(), after=found.session.get_absolute_url())
