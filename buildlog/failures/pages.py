"""Pages of failures."""

from __future__ import annotations

import uuid

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from buildlog.failures import loop as failure_loop
from buildlog.failures.cause_form import CauseForm
from buildlog.failures.forms import FailureForm
from buildlog.failures.models import Failure
from buildlog.failures.queries import failure_list, failure_rows, failures_of_machine
from buildlog.machines.models import Part, Revision, Vehicle
from buildlog.people.form_pages import form_page
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.photos.models import Photo
from buildlog.records import change_log
from buildlog.records.list_pages import asked_record, list_page
from buildlog.records.pages import change_record, remove_record, write_record
from calc.fix_proof import History
from calc.proof_sentences import counts, exposure_sentences, judged_sentence, refusal

NOT_HELD = "not_held"
"""In the address of the list: every state but held."""


@require_safe
def failures(request: SignedInRequest) -> HttpResponse:
    """Failures, newest first, a page at a time; of one state, machine, revision or part where the address says so."""
    state, rows = request.GET.get("state", ""), failure_list()
    if state in Failure.State.values:
        rows = rows.filter(state=state)
    elif state == NOT_HELD:
        rows = rows.exclude(state=Failure.State.HELD)
    subjects = {}
    for name, records in (
        ("vehicle", Vehicle.objects.all()),
        ("revision", Revision.objects.select_related("vehicle")),
        ("part", Part.objects.all()),
    ):
        subject = asked_record(records, request.GET.get(name))
        if subject is not None:
            subjects[name] = subject
            rows = failures_of_machine(rows, subject) if name == "vehicle" else rows.filter(**{name: subject})
    page = list_page(rows, request.GET, moment="happened_at")
    states = [(NOT_HELD, "Not yet held"), *Failure.State.choices]
    context = {"page": page, "failures": page.rows, "states": states, "state": state, "subjects": subjects}
    return render(request, "failures/failures.html", context)


@require_safe
def failure(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    failure = get_object_or_404(failure_rows().prefetch_related("changes__account", "recurrences__revision"), pk=pk)
    newer = failure.revision.vehicle.revisions.filter(number__gt=failure.revision.number).select_related("vehicle")
    history = failure_loop.whole_history(failure.revision.vehicle)
    proof = history.proof_for(pk, *failure_loop.thresholds(failure.revision.vehicle))
    system = request.user.unit_system
    shared = Failure.objects.filter(cause=failure.cause).exclude(pk=pk) if failure.cause else Failure.objects.none()
    context = {
        "failure": failure,
        "photos": Photo.objects.filter(failure=failure),
        "newer": newer,
        "proof": proof,
        "counts": counts(proof, system) if proof else "",
        "refusal": refusal(proof, system),
        "rests_on": [*exposure_sentences(proof, system), judged_sentence(proof)] if proof else [],
        "answers": [(fix, _is_disproved(history, fix.pk, pk)) for fix in failure.answered_by.all()],
        "shares_cause": shared.select_related("mode", "revision__vehicle"),
        "evidence": failure.cause.evidence.select_related("photo", "reading__session") if failure.cause else (),
    }
    return render(request, "failures/failure.html", context)


def _is_disproved(history: History, fix: uuid.UUID, failure: uuid.UUID) -> bool:
    return fix in history.fixes and history.disproved_by(fix, failure) is not None


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
    """Declare a fix held; refused until the riding since shows it."""
    failure = get_object_or_404(failure_rows(), pk=pk)
    why = request.POST.get("why", "").strip()
    if not why:
        messages.warning(request, "Say why it counts as held, for example: ridden far enough without it.")
        return redirect(failure.get_absolute_url())
    try:
        failure_loop.move(failure, Failure.State.HELD, why)
    except failure_loop.IllegalTransition as error:
        messages.warning(request, " ".join(error.messages))
    else:
        change_log.note_change(failure, ["state"])
        messages.success(request, f"{failure}: held.")
    return redirect(failure.get_absolute_url())
