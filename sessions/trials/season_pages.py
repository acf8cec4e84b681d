"""A machine's season on one page: progress, energy against speed, builds and records."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from typing import Any

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from buildlog.failures.exposure import Exposure
from buildlog.failures.growth import growth_of
from buildlog.failures.models import Failure, Modification
from buildlog.machines.limits import Ride, limits_of
from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision, Vehicle
from buildlog.machines.seen_voltages import seen_voltages
from buildlog.people.signed_in import SignedInRequest
from calc import reliability
from calc.results import Result, cautions
from sessions.drawing.figures import map_style_id
from sessions.drawing.over_distance import cumulative_of
from sessions.evidence.doubtful_rides import doubtful_in, rides_of
from sessions.evidence.doubts import doubts_of_machine
from sessions.evidence.left_out import LeftOut
from sessions.evidence.reader import recorded
from sessions.evidence.season import Season
from sessions.trials.best_runs import LEAST_PASSES, equal_numbers, records_of
from sessions.trials.compared_revisions import FIRST_MEASURES, SessionMean, failure_rates_of
from sessions.trials.figures import failure_rates
from sessions.trials.season_figures import load_curves, season_figures
from sessions.trials.season_strip import season_strip

BUILT = (
    "mass",
    "full_voltage",
    "controller_voltage_margin",
    "c_rate",
    "static_stability_factor",
    "tip_over_threshold",
)


@dataclass(frozen=True)
class RevisionRow:
    """One revision with its session means and what it is built like."""

    revision: Revision
    sessions: int
    distance_m: float
    means: list[SessionMean]
    rate: reliability.Interval | None
    failures: int
    limits: list[Result]
    modifications: list[Modification]


@require_safe
def season(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    vehicle = get_object_or_404(Vehicle.objects.select_related("assumptions"), pk=pk)
    system = request.user.unit_system
    everything_ridden = Season(vehicle)
    doubts = doubts_of_machine(vehicle, everything_ridden)
    season = everything_ridden.without_doubtful(LeftOut(doubts))
    exposure = Exposure(vehicle, doubtful_in(doubts), rides_of(everything_ridden))
    everything = list(
        Failure.objects.filter(revision__vehicle=vehicle)
        .select_related("mode", "revision__vehicle")
        .prefetch_related("answered_by")
        .order_by("happened_at", "pk")
    )
    placed = [(failure, exposure.place_m(failure)) for failure in everything]
    places = [(failure, place_m) for failure, place_m in placed if place_m is not None]
    growth = growth_of(everything, exposure)
    rates = failure_rates_of(
        season.revisions, season, {revision.pk: season.rows_of(revision) for revision in season.revisions}
    )
    curves = load_curves(season)
    changes = _changes(vehicle)
    change_titles = {
        revision.number: "; ".join(change.title for change in changes.get(revision.pk, []))
        for revision in season.revisions
    }
    figures = season_figures(season, places, curves, system, change_titles)
    if everything:
        figures["failure_growth"] = cumulative_of(growth, exposure.begins_m(), system)
    figures["failure_rate"] = failure_rates(rates)
    rows = _rows(season, rates, changes)
    numbers = {revision.pk: revision.number for revision in season.revisions}
    fixes = [
        (failure, numbers[fix.revision_id], fix.title) for failure in everything for fix in failure.answered_by.all()
    ]
    context: dict[str, Any] = {
        "vehicle": vehicle,
        "season": season,
        "strip": season_strip(season, places, fixes, exposure.begins_m(), system),
        "passes_by_gate": equal_numbers(season),
        "least_passes": LEAST_PASSES,
        "measures": FIRST_MEASURES,
        "rows": rows,
        "built_cautions": cautions(limit for row in rows for limit in row.limits),
        "growth": growth,
        "curves": curves,
        "records": records_of(season),
        "figures": figures,
        "map_style_id": map_style_id(),
    }
    return render(request, "trials/season.html", context)


def _changes(vehicle: Vehicle) -> dict[uuid.UUID, list[Modification]]:
    changes: dict[uuid.UUID, list[Modification]] = {}
    for modification in Modification.objects.filter(revision__vehicle=vehicle):
        changes.setdefault(modification.revision_id, []).append(modification)
    return changes


def _rows(season: Season, rates: list[Any], changes: dict[uuid.UUID, list[Modification]]) -> list[RevisionRow]:
    riders = recorded(season.numbers["rider_mass_kg"], slice(None))
    ride = Ride(rider_kg=float(riders[-1]) if riders.size else None)
    by_revision = {row.revision.pk: row for row in rates}
    seen = seen_voltages(season.vehicle)
    table = []
    for revision in reversed(season.revisions):
        rows = season.rows_of(revision)
        rate = by_revision[revision.pk]
        limits = [limit for limit in limits_of(Machine(revision, seen=seen), ride) if limit.key in BUILT]
        table.append(
            RevisionRow(
                revision,
                int(rows.size),
                rate.distance_m,
                [SessionMean.of(measure, season, rows) for measure in FIRST_MEASURES],
                rate.interval,
                rate.failures,
                limits,
                changes.get(revision.pk, []),
            )
        )
    return table
