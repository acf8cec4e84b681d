"""Pages of trials: list, open, show, plan, close, remove."""

from __future__ import annotations

import uuid
from collections import defaultdict
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.contrib import messages
from django.db import IntegrityError, transaction
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from buildlog.machines.models import Vehicle
from buildlog.people.form_pages import form_page
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.records import history
from buildlog.records.pages import change_record, remove_record, write_record
from calc.trials.order import first_is_new
from calc.trials.plan import Offer, OfferKind
from sessions.evidence.season import Season
from sessions.outings.models import Session
from sessions.trials.answer_rows import answer_rows, questions_of
from sessions.trials.decisions import keep_decisions
from sessions.trials.forms import TrialForm, TrialPlanForm
from sessions.trials.measure_columns import MeasureColumns
from sessions.trials.models import Trial
from sessions.trials.plans import answer_of, own_answers
from sessions.trials.questions import percent

_OFFERS = {
    OfferKind.BOTH_BUILDS: "Both builds on each of these days",
    OfferKind.MORE_PASSES: "Twice as many passes a day",
    OfferKind.STEADIER: "Steadier conditions: the same surface and rider, like weather",
}
SHOWN_AT_ONCE = 100


@dataclass(frozen=True)
class TrialRow:
    """One line of the list. days: those of the revision that were ridden for it, whatever was measured in them."""

    trial: Trial
    days: int


@require_safe
def trials(request: SignedInRequest) -> HttpResponse:
    """The trials of all machines, or of one; open ones first."""
    rows = Trial.objects.select_related("revision__vehicle", "against", "modification")
    vehicle_key = request.GET.get("vehicle", "")
    vehicle = next((row for row in Vehicle.objects.all() if str(row.pk) == vehicle_key), None)
    if vehicle_key:
        rows = rows.filter(revision__vehicle=vehicle)
    shown = sorted(rows[:SHOWN_AT_ONCE], key=lambda trial: not trial.is_open)
    days = _days_ridden([trial for trial in shown if trial.is_open])
    context = {"rows": [TrialRow(trial, len(days[trial.pk])) for trial in shown], "vehicle": vehicle}
    return render(request, "trials/trials.html", context)


def _days_ridden(open_trials: list[Trial]) -> dict[uuid.UUID, set[date]]:
    """The days on which each trial's revision was ridden for it."""
    by_revision: dict[uuid.UUID, set[date]] = defaultdict(set)
    moments = Session.objects.filter(revision__in={trial.revision_id for trial in open_trials})
    for revision, started_at in moments.order_by().values_list("revision_id", "started_at"):
        by_revision[revision].add(timezone.localtime(started_at).date())
    return defaultdict(
        set,
        {
            trial.pk: {day for day in by_revision[trial.revision_id] if day >= (trial.counts_from or date.min)}
            for trial in open_trials
        },
    )


@form_page
@needs(Right.BUILD)
def new_trial(request: SignedInRequest) -> HttpResponse:
    names = ("measure", "revision", "against", "modification")
    initial = {name: request.GET[name] for name in names if request.GET.get(name)}
    return write_record(
        request, TrialForm, Trial(), title="Open a trial", back=reverse("trials"), initial=initial or None
    )


@form_page
@needs(Right.BUILD)
def edit_trial(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    rows = Trial.objects.select_related("revision__vehicle", "against")
    return change_record(
        request, TrialPlanForm, rows, pk, title=lambda trial: f"Plan of the trial: {trial}", list_page="trials"
    )


@form_page
@needs(Right.BUILD)
def remove_trial(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    trial = get_object_or_404(Trial.objects.select_related("revision__vehicle", "against"), pk=pk)
    return remove_record(request, trial, back=trial.get_absolute_url(), after=reverse("trials"))


@require_POST
@needs(Right.BUILD)
def close_trial(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """Close a trial, or open it again. What it decided stays."""
    trial = get_object_or_404(Trial.objects.select_related("revision__vehicle", "against"), pk=pk)
    try:
        with transaction.atomic(), history.changing(trial) as change:
            trial.closed_on = timezone.localdate() if trial.closed_on is None else None
            trial.save(update_fields=["closed_on"])
            change.fields = ["closed_on"]
    except IntegrityError:
        messages.warning(request, "Another trial of the same question is open. Close that one first.")
    return redirect(trial)


@dataclass(frozen=True)
class PlannedDay:
    number: int
    rides: tuple[str, str]
    is_ridden: bool


@require_safe
def trial(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """What a trial asks, what it promised, and what is known today, under the error of all the machine's questions."""
    rows = Trial.objects.select_related("revision__vehicle__assumptions", "against", "modification")
    stored = get_object_or_404(rows, pk=pk)
    season = Season.beyond_doubt(stored.revision.vehicle)
    columns = MeasureColumns(season, request.user.unit_system)
    answers = own_answers(season, columns)
    keep_decisions(answers)
    answered = answer_of(stored, answers)
    current = answered.asked.trial or stored
    ridden = answered.result.evidence.values
    plan = answered.result.plan
    power, error = columns.known.trial_power_fraction, columns.known.page_error_fraction
    context: dict[str, Any] = {
        "trial": stored,
        "current": current,
        "answers": answer_rows([answered]),
        "ridden": ridden,
        "left": max(0, current.planned_days - ridden),
        "promise": _promise(current, power),
        "offers": [_offer(offer) for offer in plan.offers] if plan is not None and current.is_open else [],
        "order": _order(stored, ridden) if stored.both_builds else [],
        "cards": list(stored.test_cards.order_by("-made_at")),
        "questions": questions_of(answers),
        "part_percent": 100.0 * answered.result.error,
        "error_percent": 100.0 * error,
        "doubtful_count": season.left_out.count if season.left_out is not None else 0,
        "vehicle": stored.revision.vehicle,
    }
    return render(request, "trials/trial.html", context)


def _promise(trial: Trial, power: float) -> list[str]:
    """What the plan said before the first day, in sentences."""
    if trial.spread is None:
        return ["No spread between days was known yet, so what these days would show could not be said."]
    sentences = [f"When it was planned, days differed by {100 * trial.spread:.2g} % (standard deviation)."]
    days = f"{trial.planned_days} days"
    if trial.tells is not None:
        sentences.append(
            f"{days} would show a change of {100 * trial.tells:.2g} % with a chance of {100 * power:.0f} %."
        )
    else:
        sentences.append(f"{trial.against.label} had no day yet, so what {days} would show could not be said.")
    if trial.chance_of_none is not None:
        sentences.append(
            f"If nothing changed, the chance to show that no difference matters is {_share(trial.chance_of_none)}."
        )
    return sentences


def _share(share: float) -> str:
    return "below 1 %" if share < 0.01 else f"{100 * share:.0f} %"


def _offer(offer: Offer) -> str:
    return f"{_OFFERS[offer.kind]}: would show {percent(offer.tells).lstrip('+')}."


def _order(trial: Trial, ridden: int) -> list[PlannedDay]:
    labels = trial.against.label, trial.revision.label
    return [
        PlannedDay(day + 1, labels[::-1] if new_first else labels, day < ridden)
        for day, new_first in enumerate(first_is_new(trial.planned_days))
    ]
