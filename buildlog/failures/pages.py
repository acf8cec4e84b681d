"""Pages of failures."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from buildlog.failures.cause_form import CauseForm
from buildlog.failures.form_says import says_of_failure
from buildlog.failures.forms import FailureForm
from buildlog.failures.loop import (
    IllegalTransition,
    close_without_fix,
    loop_of,
    sign_held,
    why_not_held,
)
from buildlog.failures.models import Failure, Modification, SignOff
from buildlog.failures.near_modes import offer_joining
from buildlog.failures.queries import failure_rows
from buildlog.machines.models import Revision
from buildlog.people.form_pages import form_page
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.photos.models import Photo
from buildlog.records import change_log
from buildlog.records.pages import ANOTHER, Then, change_record, remove_record, write_record
from calc.failure_facts import HURTS, FailureFacts
from calc.failure_state import Standing, State
from calc.fix_proof import History
from calc.proof_sentences import counts, exposure_sentences, judged_sentence, standing_sentences

MOST_RECURRENCES = 10


@require_safe
def failure(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    failure = get_object_or_404(failure_rows().prefetch_related("changes__account"), pk=pk)
    vehicle = failure.revision.vehicle
    newer = vehicle.revisions.filter(number__gt=failure.revision.number).select_related("vehicle")
    loop = loop_of(vehicle)
    facts = loop.history.failures[pk]
    standing = failure.standing = loop.standing(facts)
    shown, system = standing.shown, request.user.unit_system
    proof = shown.proof if shown else None
    watched = _watched(standing)
    shared = Failure.objects.filter(cause=failure.cause).exclude(pk=pk) if failure.cause else Failure.objects.none()
    severe = loop.severity(facts.mode) in HURTS
    first = loop.history.recurs_from(facts)
    context = {
        "failure": failure,
        "photos": Photo.objects.filter(failure=failure),
        "newer": newer,
        "standing": standing,
        "reasons": standing_sentences(standing, watched.revision.label if watched else ""),
        "proof": proof,
        "watched": watched,
        "counts": counts(proof, system) if proof else "",
        "refusal": why_not_held(loop, facts, standing, system),
        "rests_on": [*exposure_sentences(proof, system), judged_sentence(proof)] if proof else [],
        "answers": [(fix, _is_disproved(loop.history, fix.pk, facts)) for fix in failure.answered_by.all()],
        "first": _link_to(loop.history, first) if first else None,
        "again": [_link_to(loop.history, again) for again in _recurrences(loop.history, facts)],
        "verifications": list(watched.verifications.select_related("photo")) if watched else [],
        "signed": SignOff.objects.filter(vehicle=vehicle, mode=failure.mode).select_related("modification__revision"),
        "may_be_closed": standing.state in (State.OPEN, State.RECURRED) and not severe,
        "shares_cause": shared.select_related("mode", "revision__vehicle"),
        "evidence": failure.cause.evidence.select_related("photo", "reading__session") if failure.cause else (),
    }
    return render(request, "failures/failure.html", context)


def _watched(standing: Standing) -> Modification | None:
    """The record of the fix that the state of a failure is about."""
    if standing.fix is None:
        return None
    return Modification.objects.select_related("revision__vehicle").filter(pk=str(standing.fix.key)).first()


def _is_disproved(history: History, fix: uuid.UUID, facts: FailureFacts) -> bool:
    return fix in history.fixes and history.disproved_by(fix, facts) is not None


def _recurrences(history: History, facts: FailureFacts) -> list[FailureFacts]:
    """What came with a fix of this failure fitted, the first of each revision."""
    firsts: dict[object, FailureFacts] = {}
    for fix in history.answers_to(facts):
        for came in history.came_with(fix, history.kinds_of_failure(facts)):
            firsts.setdefault(came.revision, came)
    return list(firsts.values())[:MOST_RECURRENCES]


def _link_to(history: History, facts: FailureFacts) -> dict[str, Any]:
    """A failure as the page of another one names it."""
    label = history.revisions[facts.revision].label
    return {"label": label, "at": facts.happened_at, "address": reverse("failure", args=[facts.key])}


@form_page
@needs(Right.LOG)
def new_failure(request: SignedInRequest) -> HttpResponse:
    """A new failure, of the machine ridden now unless `?session=` or `?revision=` name another."""
    riding = Revision.objects.filter(status=Revision.Status.RIDING).order_by("-date", "-number").first()
    initial: dict[str, object] = {"revision": riding.pk} if riding else {}
    initial |= {name: value for name in ("session", "revision") if _is_id(value := request.GET.get(name))}
    if "session" in initial:
        session = Failure.session.get_queryset().filter(pk=initial["session"]).first()
        if session is not None:
            initial |= {"revision": session.revision_id, "happened_at": session.started_at}
    return write_record(
        request,
        FailureForm,
        Failure(),
        title="Something failed",
        back=reverse("failures"),
        initial=initial | _from_detection(request),
        on_created=lambda failure: offer_joining(request, failure.mode),
        says=says_of_failure,
        then=[Then(ANOTHER, "Save and add another", request.get_full_path())],
    )


def _from_detection(request: SignedInRequest) -> dict[str, object]:
    """Values from the address of a page that detected the failure: its mode, and when in the session."""
    initial: dict[str, object] = {"mode_name": request.GET.get("mode_name", "")[:80]}
    try:
        time_s = float(request.GET.get("time_into_session_s", ""))
    except ValueError:
        return initial
    return initial | ({"time_into_session_s": time_s} if 0 <= time_s < 1e6 else {})


def _is_id(text: str | None) -> bool:
    try:
        return bool(text) and bool(uuid.UUID(text))
    except ValueError:
        return False


@form_page
@needs(Right.LOG)
def edit_failure(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    return change_record(
        request, FailureForm, failure_rows(), pk, title=lambda record: f"Edit: {record}", list_page="failures"
    )


@form_page
@needs(Right.LOG)
def remove_failure(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    failure = get_object_or_404(failure_rows(), pk=pk)
    return remove_record(request, failure, back=failure.get_absolute_url(), after=reverse("failures"))


@form_page
@needs(Right.LOG)
def failure_cause(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """Why it failed: a known cause, or a new one with its chain of whys and its evidence."""
    failure = get_object_or_404(failure_rows(), pk=pk)
    back = failure.get_absolute_url()
    return write_record(request, CauseForm, failure, title=f"Why: {failure}", back=back, after=back)


@require_http_methods(["POST"])
@needs(Right.BUILD)
def failure_held(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """Sign that the fix has held; refused until the evidence suffices."""
    return _signed(request, pk, sign_held, "Say why it counts as held, for example: ridden far enough without it.")


@require_http_methods(["POST"])
@needs(Right.BUILD)
def close_failure(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """Sign that a mode gets no fix; refused for what can hurt somebody."""
    return _signed(request, pk, close_without_fix, "Say why it gets no fix, for example: a stone, seen and avoided.")


def _signed(
    request: SignedInRequest, pk: uuid.UUID, sign: Callable[[Failure, str], SignOff], wanted: str
) -> HttpResponse:
    failure = get_object_or_404(failure_rows(), pk=pk)
    why = request.POST.get("why", "").strip()
    if not why:
        messages.warning(request, wanted)
        return redirect(failure.get_absolute_url())
    try:
        signed = sign(failure, why)
    except IllegalTransition as error:
        messages.warning(request, " ".join(error.messages))
    else:
        change_log.note_change(signed, ["why"])
        messages.success(request, f"{signed}.")
    return redirect(failure.get_absolute_url())


@form_page
@needs(Right.BUILD)
def remove_sign_off(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """Take a word back."""
    signed = get_object_or_404(SignOff.objects.select_related("mode"), pk=pk)
    back = signed.get_absolute_url()
    return remove_record(request, signed, back=back, after=back)
