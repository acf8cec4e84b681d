"""Pages of one recording: import, view, accept passes, read again, delete."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import FileResponse, Http404, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from buildlog.hosting.request_size import MB, max_request_size
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.records.pages import remove_record
from buildlog.storage.kept_file_answers import attachment
from sessions.drawing.figures import map_style_id
from sessions.logs import import_jobs
from sessions.logs.charts import track
from sessions.logs.crossings import accept, is_of_its_session, proposals_of
from sessions.logs.file_kinds import READ_KINDS
from sessions.logs.ingest import store_log
from sessions.logs.meanings import OTHER, label_of, meaning_of
from sessions.logs.models import Log
from sessions.logs.series import NotARecording
from sessions.logs.timeline import Timeline
from sessions.logs.unpacking import LARGEST_BYTES
from sessions.outings.models import Session


class LogForm(forms.Form):
    file = forms.FileField(label="Log of any logger, or track of a satellite receiver", help_text=READ_KINDS)


@max_request_size(LARGEST_BYTES + 20 * MB)
@require_http_methods(["GET", "HEAD", "POST"])
@needs(Right.LOG)
def new_log(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """Import a file. A track is read at once; for a logger's file a person first chooses what its columns mean."""
    session = get_object_or_404(Session.objects.select_related("revision__vehicle", "venue"), pk=pk)
    form = LogForm(request.POST, request.FILES) if request.method == "POST" else LogForm()
    if request.method == "POST" and form.is_valid():
        try:
            log = store_log(session, form.cleaned_data["file"])
        except NotARecording as error:
            form.add_error("file", str(error))
        except ValidationError as error:
            form.add_error("file", error.messages)
        else:
            if log.problem:
                return redirect(log)
            if log.is_table:
                return redirect("log_columns", log.pk)
            return _read(request, log)
    context = {"form": form, "session": session}
    return render(request, "logs/new_log.html", context, status=422 if form.errors else 200)


def _read(request: SignedInRequest, log: Log) -> HttpResponse:
    """Import a track: at once, or in the background where that may take longer than a page may."""
    try:
        if import_jobs.import_log(log):
            messages.success(request, f"Imported: {log.name}, {log.row_count} points.")
    except NotARecording:
        messages.error(request, "It could not be imported. The file is stored; the reason is below.")
    return redirect(log)


def _log_or_404(pk: uuid.UUID) -> Log:
    rows = Log.objects.select_related("session__revision__vehicle", "session__venue", "pending_import", "instrument")
    return get_object_or_404(rows, pk=pk)


@require_http_methods(["GET", "HEAD", "POST"])
def log(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """One recording: what it holds, and the passes in it; a POST accepts the chosen ones."""
    log = _log_or_404(pk)
    with Timeline(log.session, [log]) as timeline:
        if timeline.gone:
            raise Http404("The log's file is gone from the data folder.")
        columns: Mapping[str, Any] = timeline.columns.get(log.pk) or {}
        proposals = proposals_of(log, columns)
        if request.method == "POST":
            return _accepted(request, log, proposals)
        figure = track(timeline, log.session.venue.gates.prefetch_related("marks"))
        context = {
            "log": log,
            "pending": getattr(log, "pending_import", None),
            "session": log.session,
            "proposals": proposals,
            "has_positions": "lat_deg" in columns,
            "is_of_its_session": is_of_its_session(log),
            "ranges": _ranges(log),
            "figures": {"track": figure} if figure else {},
            "map_style_id": map_style_id(),
        }
    return render(request, "logs/log.html", context)


def _ranges(log: Log) -> list[dict[str, Any]]:
    columns, named = log.summary.get("columns", {}), log.summary.get("named", {})
    rows = []
    for name, (lowest, highest) in columns.items():
        meaning = meaning_of(name)
        if meaning is None or name == "time_s":
            continue
        own = named.get(name)
        unit = own[1] if own else ""
        kind = None if meaning.column == OTHER else meaning.kind
        rows.append({"label": label_of(name, named), "kind": kind, "unit": unit, "lowest": lowest, "highest": highest})
    return rows


@needs(Right.LOG)
def _accepted(request: SignedInRequest, log: Log, proposals: list[Any]) -> HttpResponse:
    keys = set(request.POST.getlist("accept"))
    count = accept(log, [proposal for proposal in proposals if proposal.key in keys])
    messages.success(request, f"{count} pass{'' if count == 1 else 'es'} added.")
    return redirect(log.session)


@require_POST
@needs(Right.LOG)
def read_log_again(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """Read a stored file again; a logger's file goes to the page of its columns instead."""
    log = _log_or_404(pk)
    if log.is_table:
        return redirect("log_columns", log.pk)
    return _read(request, log)


@require_POST
@needs(Right.LOG)
def cancel_import(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """Cancel an import that waits or goes on; the file and what was chosen for it stay."""
    log = _log_or_404(pk)
    if import_jobs.cancel(log):
        messages.success(request, "The import was cancelled. The file stays stored.")
    else:
        messages.info(request, "No import was going on.")
    return redirect(log)


@require_safe
def import_progress(request: SignedInRequest, pk: uuid.UUID) -> JsonResponse:
    """How far the import of a log is; its state is `done` where none is pending."""
    pending = getattr(_log_or_404(pk), "pending_import", None)
    return JsonResponse(pending.as_json if pending and pending.is_pending else {"state": "done"})


@require_safe
def log_original(request: SignedInRequest, pk: uuid.UUID) -> FileResponse:
    """The file as it came, as a download."""
    log = get_object_or_404(Log, pk=pk)
    try:
        file = log.original.open("rb")
    except FileNotFoundError:
        raise Http404("The log's file is gone from the data folder.") from None
    return attachment(file, filename=f"{log.pk}.{log.kind}")


@require_http_methods(["GET", "HEAD", "POST"])
@needs(Right.LOG)
def remove_log(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    log = get_object_or_404(Log.objects.select_related("session"), pk=pk)
    return remove_record(request, log, back=log.get_absolute_url(), after=log.session.get_absolute_url())
