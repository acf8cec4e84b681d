"""The bench: what to know of a machine before the next change is built."""

from __future__ import annotations

import uuid
from collections import Counter
from dataclasses import asdict

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from buildlog.failures.models import Failure
from buildlog.machines.limits import side_by_side
from buildlog.machines.machine import Machine
from buildlog.machines.models import Vehicle
from buildlog.machines.queries import revisions_with_parts
from buildlog.machines.seen_voltages import seen_voltages
from buildlog.machines.space import Space
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from calc.alarms import Alarm
from calc.results import alarms, cautions
from sessions.bench.figures import bench_figures
from sessions.bench.machine_bench import Bench, Filters, bench_of, ride_of
from sessions.bench.models import TestCard, TestCardItem
from sessions.bench.next_tests import for_a_card, in_turn, questions_of
from sessions.bench.on_paper import WhatIfForm, save_as_planned
from sessions.drawing.figures import map_style_id
from sessions.drawing.machine_views import machine_views
from sessions.evidence.headline import limit_bars
from sessions.outings.models import Session

SHOWN_AT_ONCE = 100
STOPS_THE_DAY = (
    "Water on the ice, or ice thinner than measured. The second person leaves. A pack that is hot, swollen or smells. "
    "Anything loose."
)


def _vehicle(pk: uuid.UUID) -> Vehicle:
    return get_object_or_404(Vehicle.objects.select_related("assumptions"), pk=pk)


@require_safe
def bench(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    filters = Filters.of(request.GET)
    system = request.user.unit_system
    bench = bench_of(_vehicle(pk), filters, system)
    questions = questions_of(bench, system)
    first, after = in_turn(questions)
    figures = bench_figures(bench, system)
    nearest = limit_bars(pair.planned for pair in bench.limits)
    context = {
        "bench": bench,
        "vehicle": bench.vehicle,
        "filters_chosen": asdict(filters),
        "is_narrowed": any(asdict(filters).values()),
        "choices": _choices(bench),
        "shown": bench.filtered[:SHOWN_AT_ONCE],
        "first": first,
        "then": after[:1],
        "later": after[1:],
        "for_a_card": bool(for_a_card(questions)),
        "nearest": nearest,
        "near_cautions": cautions(bar.result for bar in nearest),
        "limit_cautions": cautions(pair.today for pair in bench.limits),
        "alarms": _alarms(bench),
        "figures": figures,
        "map_style_id": map_style_id() if figures else "",
        "answers": _answers_in_words(bench),
    }
    return render(request, "bench/bench.html", context)


def _answers_in_words(bench: Bench) -> str:
    """How many changes did what, the commonest first."""
    counted = Counter(verdict.word for verdict in bench.verdicts).most_common()
    return ", ".join(f"{count} {word}" for word, count in counted)


def _alarms(bench: Bench) -> list[tuple[str, Alarm]]:
    """Limits that are passed or nearly reached, today and as planned, each with its revision."""
    revisions = (
        (bench.today, alarms(pair.today for pair in bench.limits)),
        (bench.planned, alarms(pair.planned for pair in bench.limits)),
    )
    return [(revision.label, alarm) for revision, passed in revisions if revision is not None for alarm in passed]


def _choices(bench: Bench) -> list[tuple[str, str, list[tuple[str, str]]]]:
    """The choices of each filter of the history: only values that occur in it."""

    def of(pairs: list[tuple[object, object]]) -> list[tuple[str, str]]:
        return sorted({(str(value), str(label)) for value, label in pairs if value}, key=lambda row: row[1])

    everything = bench.everything
    states = {failure.state for failure in everything}
    surfaces = {failure.session.surface for failure in everything if failure.session}
    return [
        ("mode", "Mode", of([(failure.mode_id, failure.mode.name) for failure in everything])),
        ("part", "Part", of([(failure.part_id, failure.part) for failure in everything])),
        ("severity", "Severity", of([(failure.severity, failure.severity_numeral) for failure in everything])),
        ("revision", "Revision", of([(failure.revision_id, failure.revision.label) for failure in everything])),
        ("state", "State", [choice for choice in Failure.State.choices if choice[0] in states]),
        ("surface", "Surface", [choice for choice in Session.Surface.choices if choice[0] in surfaces]),
    ]


@require_POST
@needs(Right.LOG)
def suggest_card(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """Make a test card of the open questions; it is edited by hand before the outing."""
    bench = bench_of(_vehicle(pk), Filters(), request.user.unit_system)
    questions = for_a_card(questions_of(bench, request.user.unit_system))
    revision = bench.today or bench.planned
    if revision is None or not questions:
        messages.warning(request, "There is no revision to ride, or no open question, so there is nothing to plan yet.")
        return redirect("vehicle_bench", pk=pk)
    with transaction.atomic():
        card = TestCard.objects.create(
            revision=revision,
            title=f"Next outing of {revision}",
            stops_the_day=STOPS_THE_DAY,
        )
        TestCardItem.objects.bulk_create(
            TestCardItem(card=card, position=position, what=question.what[:300], why=question.why[:300])
            for position, question in enumerate(questions, start=1)
        )
    messages.success(request, f"Made from {len(questions)} open questions. Strike out what does not fit into the day.")
    return redirect("edit_test_card", pk=card.pk)


@require_http_methods(["GET", "HEAD", "POST"])
@needs(Right.BUILD)
def what_if(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """Try a change on paper. The change is in the address, so it can be bookmarked and sent."""
    revision = get_object_or_404(revisions_with_parts().select_related("vehicle__assumptions"), pk=pk)
    system = request.user.unit_system
    before = Machine(revision, seen=seen_voltages(revision.vehicle))
    data = request.POST if request.method == "POST" else (request.GET if request.GET else None)
    form = WhatIfForm(revision, data, system)
    proposed = form.proposed_machine(before) if form.is_bound and form.is_valid() else None
    if request.method == "POST" and proposed is not None:
        try:
            planned = save_as_planned(proposed, before, system)
        except ValidationError as error:
            form.add_error(None, error)
        else:
            messages.success(request, f"Saved as {planned}, planned. Say what it should change, and build it.")
            return redirect(planned)
    ride = ride_of(revision.vehicle)
    pairs = side_by_side(before, proposed or before, ride)
    context = {
        "revision": revision,
        "form": form,
        "tried": proposed,
        "views": machine_views(Space(proposed or before, ride.rider_kg or revision.rider_mass_kg)),
        "pairs": pairs,
        "moved": [pair for pair in pairs if pair.moved],
        "nearest": limit_bars(pair.planned for pair in pairs),
        "limit_cautions": cautions(pair.planned for pair in pairs),
        "alarms": alarms(pair.planned for pair in pairs),
    }
    return render(request, "bench/what_if.html", context, status=422 if form.errors else 200)
