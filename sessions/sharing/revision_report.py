"""A revision's report: what it is, what changed, what it did and what broke, on one page."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from buildlog.failures.models import Failure, Modification
from buildlog.machines.difference import Difference, difference
from buildlog.machines.limits import Limit, cautions, limits_of
from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision
from buildlog.machines.seen_voltages import seen_voltages
from buildlog.photos.models import Photo
from calc.comparison import MeanInterval, mean_interval
from sessions.bench.machine_bench import Filters, bench_of
from sessions.bench.verdicts import Verdict
from sessions.evidence.season import Season, recorded
from sessions.trials.best_runs import Record, records_of
from sessions.trials.compared_revisions import CONFIDENCE, MEASURES, Measure, failure_rates_of


@dataclass(frozen=True)
class MeasureRow:
    measure: Measure
    count: int
    mean: float | None
    interval: MeanInterval | None


@dataclass
class Report:
    revision: Revision
    machine: Machine
    limits: list[Limit]
    cautions: list[str]
    changes: Difference | None
    modifications: list[Modification]
    verdicts: list[Verdict]
    measures: list[MeasureRow]
    records: list[Record]
    conditions: list[tuple[str, Any, Any]]
    venues: list[str]
    distance_m: float
    sessions: int
    rate: Any
    failures: list[Failure]
    photos: list[Photo] = field(default_factory=list)


def report_of(revision: Revision, system: str) -> Report:
    found = Revision.objects.select_related("vehicle__assumptions").get(pk=revision.pk)
    bench = bench_of(found.vehicle, Filters(), system)
    season = Season(found.vehicle)
    machine = Machine.in_line(found, seen_voltages(found.vehicle))
    parent = season.machines.get(found.parent_id) if found.parent_id is not None else None
    rows = season.rows_of(found)
    measures = []
    for measure in MEASURES:
        values = recorded(season.values(measure.key), rows)
        interval = mean_interval(values, CONFIDENCE) if values.size > 1 else None
        measures.append(MeasureRow(measure, int(values.size), float(values.mean()) if values.size else None, interval))
    limits = limits_of(machine, bench.ride)
    [rate] = failure_rates_of([found], season, {found.pk: rows})
    return Report(
        found, machine, limits, cautions(limits), difference(parent, machine, system) if parent else None,
        [one for one in bench.modifications if one.revision_id == found.pk],
        [one for one in bench.verdicts if one.modification.revision_id == found.pk],
        [row for row in measures if row.count],
        [one for one in records_of(season) if one.revision.pk == found.pk],
        _conditions(season, rows), sorted({season.venue_name[row] for row in rows}),
        rate.distance_m, int(rows.size), rate,
        [one for one in bench.everything if one.revision_id == found.pk], list(found.photos.all()),
    )  # fmt: skip


def _conditions(season: Season, rows: Any) -> list[tuple[str, Any, Any]]:
    found = []
    for name, kind in (("air_temperature_c", "temperature"), ("wind_speed_mps", "speed"), ("rider_mass_kg", "mass")):
        values = recorded(season.numbers[name], rows)
        if values.size:
            found.append((kind, float(values.min()), float(values.max())))
    return found
