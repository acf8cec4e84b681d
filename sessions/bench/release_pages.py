"""The page on which a revision is released: its open points are mended or accepted, and it goes to riding."""

from __future__ import annotations

import uuid

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST, require_safe

from buildlog.machines.models import Revision
from buildlog.people.roles import Right, has_right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.records import change_log, history
from calc.cautions import WIRING
from sessions.bench.release import accept, note_release, release_state

EXAMPLE = "for example: first trial at walking pace on the shore, mended before the next"
MOST_LETTERS = 300


def _revision(pk: uuid.UUID) -> Revision:
    return get_object_or_404(Revision.objects.select_related("vehicle", "parent__vehicle"), pk=pk)


@require_safe
def revision_release(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    return _page(request, _revision(pk))


def _page(
    request: SignedInRequest, revision: Revision, wrong: str = "", typed: str = "", key: str = "", status: int = 200
) -> HttpResponse:
    """With what was wrong, and what was typed for a point: under it, or above where the point is gone."""
    context = {
        "revision": revision,
        "state": release_state(revision),
        "is_owner": has_right(request.user, Right.ADMIT),
        "wrong": wrong,
        "typed": typed,
        "typed_for": key,
        "caution": WIRING,
        "most_letters": MOST_LETTERS,
    }
    return render(request, "bench/release.html", context, status=status)


@require_POST
@needs(Right.BUILD)
def accept_point(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """Accept one open point, with a name and a reason; what can hurt somebody needs an owner."""
    revision = _revision(pk)
    key, reason = request.POST.get("point", ""), request.POST.get("reason", "").strip()
    point = next((row for row in release_state(revision).open_points if row.key == key), None)
    if point is None:
        wrote = f" You wrote: {reason}" if reason else ""
        return _page(request, revision, f"That point is not open any more, so nothing was accepted.{wrote}", status=409)
    if point.needs_owner and not has_right(request.user, Right.ADMIT):
        raise PermissionDenied("Only an owner accepts this point. Mend it, or ask the owner.")
    if point.sentence != request.POST.get("sentence", point.sentence):
        wrong = f"This point says something else now, so nothing was accepted yet: {point.sentence}"
        return _page(request, revision, wrong, reason, key, status=409)
    if not reason or len(reason) > MOST_LETTERS:
        wrong = f"Write why it is ridden all the same, in at most {MOST_LETTERS} characters, {EXAMPLE}."
        return _page(request, revision, wrong, reason, key, status=422)
    change_log.note_change(accept(revision, point, reason, request.user), frozenset({"reason"}))
    until = " for one outing" if point.for_one_outing else ""
    messages.success(request, f"Accepted{until}: {point.title}")
    return redirect("revision_release", pk=pk)


@require_POST
@needs(Right.BUILD)
def release_to_ride(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """Set a revision to riding, while none of its points is open, and record what was accepted."""
    with transaction.atomic():
        revision = get_object_or_404(Revision.objects.select_for_update(of=("self",)).select_related("vehicle"), pk=pk)
        state = release_state(revision)
        if state.open_points:
            count = len(state.open_points)
            messages.warning(request, f"Not released: {count} {'point is' if count == 1 else 'points are'} still open.")
            return redirect("revision_release", pk=pk)
        if request.POST.get("seen", state.seen) != state.seen:
            wrong = "Not released: points were accepted or changed since this page was opened. Read them first."
            return _page(request, revision, wrong, status=409)
        if revision.status != Revision.Status.RIDING:
            with history.changing(revision) as change:
                revision.status = Revision.Status.RIDING
                revision.save(update_fields=["status"])
                change.fields = ["status"]
        note_release(revision)
    messages.success(request, f"{revision} is released to ride. That is no permission: the ice and local rules decide.")
    return redirect("revision_release", pk=pk)
