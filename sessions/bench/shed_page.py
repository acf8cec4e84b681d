"""The shed: machines, what they are made of, where they are ridden, and what is planned for them."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from buildlog.failures.models import FailureMode
from buildlog.machines.models import Part
from sessions.bench.models import TestCard
from sessions.outings.machine_queries import vehicles
from sessions.outings.models import Gate, Venue
from sessions.trials.models import Trial


@require_safe
def shed(request: HttpRequest) -> HttpResponse:
    context = {
        "vehicles": vehicles(),
        "parts": Part.objects.count(),
        "venues": Venue.objects.count(),
        "gates": Gate.objects.count(),
        "open_cards": TestCard.objects.filter(closed=False).count(),
        "open_trials": Trial.objects.filter(closed_on__isnull=True, decided_on__isnull=True).count(),
        "modes": FailureMode.objects.count(),
    }
    return render(request, "bench/shed.html", context)
