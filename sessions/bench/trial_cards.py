"""The test card of a trial's next day, made by one button."""

from __future__ import annotations

import uuid

from django.contrib import messages
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.views.decorators.http import require_POST

from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from calc.trials.order import first_is_new
from calc.written_limits import written_span
from sessions.bench.models import TestCard, TestCardItem
from sessions.bench.pages import STOPS_THE_DAY
from sessions.evidence.reader import recorded
from sessions.evidence.season import Season
from sessions.outings.models import Session
from sessions.trials.measure_columns import MeasureColumns
from sessions.trials.measures import BEST_SPEED, MEAN_SPEED, TWO_WAY
from sessions.trials.models import Trial
from sessions.trials.plans import answer_of, own_answers

BY_GATE = {MEAN_SPEED.key, BEST_SPEED.key, TWO_WAY.key}


def items_of(trial: Trial, day: int, conditions: str) -> list[tuple[str, str]]:
    """What to ride on a day of a trial (0 for its first), in order, and what it would tell."""
    labels = [trial.revision.label]
    if trial.both_builds:
        labels = [trial.against.label, trial.revision.label]
        labels = labels[::-1] if first_is_new(day + 1)[day] else labels
    why = f"Day {day + 1} of {trial.planned_days}: {trial}."
    items = []
    for place, label in enumerate(labels):
        if place:
            items.append((f"Change the build to {label}, and look over what was loosened", "Order: A-B-B-A by days."))
        items.append((f"{_ride(trial)} with {label}{conditions if not place else ', as before'}", why))
    items.append(
        ("Write down surface, air, wind, rider and payload of each session", "The comparison allows for them.")
    )
    return items


def _ride(trial: Trial) -> str:
    if trial.measure in BY_GATE:
        return "Six passes, three each way, through the gate"
    return "A measured distance, with charge or energy read before and after,"


def conditions_of(trial: Trial, season: Season, system: str) -> str:
    """In which conditions the other revision was ridden, for a trial that rides one build a day."""
    rows = season.rows_of(trial.against)
    if trial.both_builds or not rows.size:
        return ""
    parts = []
    air = recorded(season.numbers["air_temperature_c"], rows)
    if air.size:
        parts.append(written_span(float(air.min()), float(air.max()), "temperature", system))
    names = dict(Session.Surface.choices)
    surfaces = sorted({names[season.surface[row]].lower() for row in rows if season.surface[row]})
    if surfaces:
        parts.append(" or ".join(surfaces))
    return f", ridden like {trial.against.label}: {', '.join(parts)}" if parts else ""


@require_POST
@needs(Right.LOG)
def trial_card(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """Make the test card of the trial's next day; it is edited by hand before the outing."""
    rows = Trial.objects.select_related("revision__vehicle__assumptions", "against", "modification")
    trial = get_object_or_404(rows, pk=pk)
    system = request.user.unit_system
    season = Season.beyond_doubt(trial.revision.vehicle)
    answered = answer_of(trial, own_answers(season, MeasureColumns(season, system)))
    day = answered.result.evidence.values
    if not trial.is_open or day >= trial.planned_days:
        messages.warning(request, "This trial has no day left to plan.")
        return redirect(trial)
    with transaction.atomic():
        card = TestCard.objects.create(
            revision=trial.revision,
            trial=trial,
            title=f"Trial, day {day + 1}: {trial}"[:120],
            stops_the_day=STOPS_THE_DAY,
        )
        TestCardItem.objects.bulk_create(
            TestCardItem(card=card, position=position, what=what[:300], why=why[:300])
            for position, (what, why) in enumerate(items_of(trial, day, conditions_of(trial, season, system)), start=1)
        )
    messages.success(request, "Made for the next day. Strike out what does not fit into it.")
    return redirect("edit_test_card", pk=card.pk)
