"""The pages of what a record was before, and of what was deleted."""

from __future__ import annotations

import uuid

import reversion
from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db.models import Model
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST, require_safe

from buildlog.people.roles import Right, has_right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.records import history, trash
from buildlog.records.models import Removal

MOST_SHOWN = 200


def record_of(kind: str, pk: uuid.UUID) -> Model:
    """The record of a kind whose history is kept. Raises Http404 for another kind, or an unknown key."""
    model = next((model for model in reversion.get_registered_models() if model._meta.model_name == kind), None)
    if model is None:
        raise Http404("This kind of record has no history.")
    record: Model = get_object_or_404(model, pk=pk)
    return record


@require_safe
def record_history(request: SignedInRequest, kind: str, pk: uuid.UUID) -> HttpResponse:
    """What a record was, change by change."""
    record = record_of(kind, pk)
    events = history.events_of(record, request.user.unit_system)
    undoable = len(events) > 1 and has_right(request.user, Right.LOG)
    others = [getattr(record, name) for name in getattr(record, "edited_with", ())]
    context = {
        "record": record,
        "kind": kind,
        "events": events,
        "undoable": undoable,
        "others": [(other, history.kind_of(other)) for other in others if other is not None],
    }
    return render(request, "records/history.html", context)


@require_POST
@needs(Right.LOG)
def undo_change(request: SignedInRequest, kind: str, pk: uuid.UUID) -> HttpResponse:
    """Undo the last change: one's own, or anybody's for who may change builds."""
    record = record_of(kind, pk)
    last = history.last_change(record)
    if last is not None and not has_right(request.user, Right.BUILD) and last.revision.user_id != request.user.pk:
        raise PermissionDenied("You may undo what you changed yourself. A builder may undo any change.")
    try:
        history.undo(record)
        messages.success(request, f"The last change was undone: {record}")
    except history.NotUndone as error:
        messages.warning(request, f"Nothing was changed. {error}")
    return redirect("record_history", kind=kind, pk=pk)


@needs(Right.LOG)
@require_safe
def trash_page(request: SignedInRequest) -> HttpResponse:
    """What was deleted in the last thirty days."""
    rows = trash.removals_for(request.user)[:MOST_SHOWN]
    return render(request, "records/trash.html", {"removals": rows, "days": trash.KEPT_FOR.days})


@require_POST
@needs(Right.LOG)
def restore_removal(request: SignedInRequest, pk: int) -> HttpResponse:
    removal = _removal(request, pk)
    try:
        record = trash.restore(removal)
    except trash.NotRestored as error:
        messages.warning(request, str(error))
        return redirect("trash")
    messages.success(request, f"Restored: {record}")
    return redirect(history.page_of(record))


@require_POST
@needs(Right.BUILD)
def empty_removal(request: SignedInRequest, pk: int) -> HttpResponse:
    """Delete for good, before the thirty days are over: it frees the space of photos and recordings."""
    removal = _removal(request, pk)
    name = removal.name
    trash.empty([removal])
    messages.success(request, f"Deleted for good: {name}")
    return redirect("trash")


def _removal(request: SignedInRequest, pk: int) -> Removal:
    removal: Removal = get_object_or_404(Removal.objects.all(), pk=pk)
    if not trash.removals_for(request.user).filter(pk=pk).exists():
        raise PermissionDenied("You may restore what you deleted yourself. A builder may restore anything.")
    return removal
