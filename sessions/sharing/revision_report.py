"""A revision's report: what it is, what changed, what it did and what broke, on one page."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from buildlog.failures.models import Failure, Modification
from buildlog.failures.queries import hazards_among
from buildlog.machines.difference import Difference, difference
from buildlog.machines.limits import limits_of
from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision
from buildlog.machines.seen_voltages import seen_voltages
from buildlog.photos.models import Photo
from calc.results import Result, cautions
from sessions.bench.machine_bench import Filters, bench_of
from sessions.bench.release import ReleaseState, release_state
from sessions.bench.verdicts import Verdict
from sessions.evidence.headline import LimitBar, limit_bars
from sessions.evidence.reader import recorded
from sessions.trials.best_runs import Record, records_of
from sessions.trials.compared_revisions import MEASURES, SessionMean, failure_rates_of


@dataclass
class Report:
    revision: Revision
    machine: Machine
    limits: list[Result]
    nearest: list[LimitBar]
    cautions: list[str]
    changes: Difference | None
    modifications: list[Modification]
    verdicts: list[Verdict]
    measures: list[SessionMean]
    records: list[Record]
    conditions: list[tuple[str, Any, Any]]
    venues: list[str]
    distance_m: float
    sessions: int
    rate: Any
    failures: list[Failure]
    photos: list[Photo] = field(default_factory=list)
    doubtful_count: int = 0
    release: ReleaseState | None = None

    @property
    def near_cautions(self) -> list[str]:
        """What to know of the nearest limits; the other cautions stand with the other numbers."""
        return cautions(bar.result for bar in self.nearest)


def report_of(revision: Revision, system: str) -> Report:
    current = Revision.objects.select_related("vehicle__assumptions").get(pk=revision.pk)
    bench = bench_of(current.vehicle, Filters(), system)
    season = bench.season
    machine = Machine.in_line(current, seen_voltages(current.vehicle))
    parent = season.machines.get(current.parent_id) if current.parent_id is not None else None
    rows = season.rows_of(current)
    measures = [SessionMean.of(measure, season, rows) for measure in MEASURES]
    limits = limits_of(machine, bench.ride)
    modifications = [item for item in bench.modifications if item.revision_id == current.pk]
    [rate] = failure_rates_of([current], season, {current.pk: rows})
    return Report(
        current,
        machine,
        limits,
        limit_bars(limits),
        cautions(limits),
        difference(parent, machine, system) if parent else None,
        modifications,
        bench.verdicts_on(modifications),
        [row for row in measures if row.count],
        [item for item in records_of(season) if item.revision.pk == current.pk],
        _conditions(season, rows),
        sorted({season.venue_name[row] for row in rows}),
        rate.distance_m,
        int(rows.size),
        rate,
        [item for item in bench.everything if item.revision_id == current.pk],
        list(current.photos.all()),
        season.left_out.count if season.left_out is not None else 0,
        release_state(
            current,
            machine=machine,
            load_kg=bench.ride.rider_kg or current.rider_mass_kg,
            hazards=hazards_among(bench.everything),
        ),
    )


def _conditions(season: Any, rows: Any) -> list[tuple[str, Any, Any]]:
    ranges = []
    for name, kind in (("air_temperature_c", "temperature"), ("wind_speed_mps", "speed"), ("rider_mass_kg", "mass")):
        values = recorded(season.numbers[name], rows)
        if values.size:
            ranges.append((kind, float(values.min()), float(values.max())))
    return ranges
