"""Pages of the vocabulary of failures: which modes there are, what they are called, and which are one."""

from __future__ import annotations

import uuid

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db.models import Count
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST, require_safe

from buildlog.failures.mode_changes import join, rename, take_apart
from buildlog.failures.models import FailureMode, ModeChange
from buildlog.failures.near_modes import near_modes
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.records import change_log

NEWEST = 20
"""So many failures the page of a mode shows."""


@require_safe
def failure_modes(request: SignedInRequest) -> HttpResponse:
    modes = FailureMode.objects.annotate(failure_count=Count("failures")).order_by("name")
    return render(request, "failures/modes.html", {"modes": modes})


@require_safe
def failure_mode(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    mode = get_object_or_404(FailureMode, pk=pk)
    near = near_modes(mode)
    context = {
        "mode": mode,
        "failures": mode.failures.select_related("revision__vehicle")[:NEWEST],
        "failure_count": mode.failures.count(),
        "near": near,
        "others": FailureMode.objects.exclude(pk=mode.pk).exclude(pk__in=[other.pk for other in near]),
        "changes": mode.mode_changes.select_related("account"),
    }
    return render(request, "failures/mode.html", context)


@require_POST
@needs(Right.BUILD)
def rename_mode(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    mode = get_object_or_404(FailureMode, pk=pk)
    try:
        renamed = rename(mode, request.POST.get("name", "")[:80])
    except ValidationError as error:
        messages.warning(request, " ".join(error.messages))
    else:
        messages.success(request, f"Called “{renamed}” now. The old name still leads to it.")
    return redirect("failure_mode", pk=pk)


@require_POST
@needs(Right.BUILD)
def join_mode(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """Join a mode to the one that is named in `into`."""
    mode = get_object_or_404(FailureMode, pk=pk)
    try:
        into = FailureMode.objects.exclude(pk=pk).filter(pk=uuid.UUID(request.POST.get("into", ""))).first()
    except ValueError:
        into = None
    if into is None:
        messages.warning(request, "Choose the mode that it is the same as.")
        return redirect("failure_mode", pk=pk)
    try:
        joined = join(mode, into)
    except ValidationError as error:
        messages.warning(request, " ".join(error.messages))
        return redirect("failure_modes")
    change_log.note_change(joined, ["name"])
    messages.success(request, f"“{mode}” is “{joined}” now. The page of the mode can take them apart again.")
    return redirect("failure_mode", pk=joined.pk)


@require_POST
@needs(Right.BUILD)
def take_mode_apart(request: SignedInRequest, pk: int) -> HttpResponse:
    """Undo a join."""
    joined = get_object_or_404(ModeChange, pk=pk, kind=ModeChange.Kind.JOINED)
    try:
        mode = take_apart(joined)
    except ValidationError as error:
        messages.warning(request, " ".join(error.messages))
        return redirect("failure_mode", pk=joined.mode_id)
    change_log.note_change(mode, ["name"])
    messages.success(request, f"“{mode}” stands by itself again.")
    return redirect("failure_mode", pk=mode.pk)
