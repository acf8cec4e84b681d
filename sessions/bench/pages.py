"""The bench: the page to stand in before cutting metal."""

from __future__ import annotations

import uuid
from dataclasses import asdict

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from buildlog.failures.models import Failure
from buildlog.machines.limits import alarms, cautions, side_by_side
from buildlog.machines.machine import Machine
from buildlog.machines.models import Vehicle
from buildlog.machines.queries import revisions_with_parts
from buildlog.machines.seen_voltages import seen_voltages
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from calc.alarms import Alarm
from sessions.bench.figures import bench_figures
from sessions.bench.machine_bench import Bench, Filters, bench_of, ride_of
from sessions.bench.models import TestCard, TestCardItem
from sessions.bench.next_tests import questions_of
from sessions.bench.on_paper import WhatIfForm, keep
from sessions.drawing.figures import map_style_id
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
    found = bench_of(_vehicle(pk), filters, system)
    figures = bench_figures(found, system)
    context = {
        "bench": found,
        "vehicle": found.vehicle,
        "filters_chosen": asdict(filters),
        "choices": _choices(found),
        "shown": found.shown[:SHOWN_AT_ONCE],
        "questions": questions_of(found, system),
        "limit_cautions": cautions(pair.today for pair in found.limits),
        "alarms": _alarms(found),
        "figures": figures,
        "map_style_id": map_style_id() if figures else "",
    }
    return render(request, "bench/bench.html", context)


def _alarms(found: Bench) -> list[tuple[str, Alarm]]:
    """What is passed or nearly reached, today and as planned, with the revision it is said of."""
    revisions = (
        (found.today, alarms(pair.today for pair in found.limits)),
        (found.planned, alarms(pair.planned for pair in found.limits)),
    )
    return [(revision.label, alarm) for revision, passed in revisions if revision is not None for alarm in passed]


def _choices(found: Bench) -> list[tuple[str, str, list[tuple[str, str]]]]:
    """What the history can be narrowed by: only what occurs in it."""

    def of(pairs: list[tuple[object, object]]) -> list[tuple[str, str]]:
        return sorted({(str(value), str(label)) for value, label in pairs if value}, key=lambda row: row[1])

    everything = found.everything
    states = {one.state for one in everything}
    surfaces = {one.session.surface for one in everything if one.session}
    return [
        ("mode", "Mode", of([(one.mode_id, one.mode.name) for one in everything])),
        ("part", "Part", of([(one.part_id, one.part) for one in everything])),
        ("severity", "Severity", of([(one.severity, one.severity_numeral) for one in everything])),
        ("revision", "Revision", of([(one.revision_id, one.revision.label) for one in everything])),
        ("state", "State", [choice for choice in Failure.State.choices if choice[0] in states]),
        ("surface", "Surface", [choice for choice in Session.Surface.choices if choice[0] in surfaces]),
    ]


@require_POST
@needs(Right.LOG)
def suggest_card(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """Make a test card of the open questions; it is edited by hand before it goes along."""
    found = bench_of(_vehicle(pk), Filters(), request.user.unit_system)
    questions = questions_of(found, request.user.unit_system)
    revision = found.today or found.planned
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
            TestCardItem(card=card, position=position, what=one.what[:300], why=one.why[:300])
            for position, one in enumerate(questions, start=1)
        )
    messages.success(request, f"Made from {len(questions)} open questions. Strike out what does not fit into the day.")
    return redirect("edit_test_card", pk=card.pk)


@require_http_methods(["GET", "HEAD", "POST"])
@needs(Right.BUILD)
def what_if(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """Try a change on paper. What is tried stands in the address, so it can be kept and sent."""
    revision = get_object_or_404(revisions_with_parts().select_related("vehicle__assumptions"), pk=pk)
    system = request.user.unit_system
    before = Machine(revision, seen=seen_voltages(revision.vehicle))
    data = request.POST if request.method == "POST" else (request.GET if request.GET else None)
    form = WhatIfForm(revision, data, system)
    tried = form.thought_of(before) if form.is_bound and form.is_valid() else None
    if request.method == "POST" and tried is not None:
        try:
            made = keep(tried, before, system)
        except ValidationError as error:
            form.add_error(None, error)
        else:
            messages.success(request, f"Kept as {made}, planned. Say what it should change, and build it.")
            return redirect(made)
    ride = ride_of(revision.vehicle)
    pairs = side_by_side(before, tried or before, ride)
    context = {
        "revision": revision,
        "form": form,
        "tried": tried,
        "pairs": pairs,
        "limit_cautions": cautions(pair.planned for pair in pairs),
        "alarms": alarms(pair.planned for pair in pairs),
    }
    return render(request, "bench/what_if.html", context, status=422 if form.errors else 200)
