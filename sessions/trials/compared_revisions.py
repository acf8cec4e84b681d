"""Is one revision really better than another? The answers, the conditions, and the session means behind them."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, NamedTuple

import numpy as np

from buildlog.failures.models import Failure, Modification
from buildlog.machines.models import Revision, Vehicle
from buildlog.storage.columns import as_text
from calc import comparison, reliability
from calc.quantities import in_shown_unit, written_difference
from calc.written_limits import written_span
from sessions.evidence.reader import recorded
from sessions.evidence.season import Season
from sessions.outings.models import Session
from sessions.trials.answer_rows import AnswerRows, answer_rows
from sessions.trials.conditions import conditions_beside
from sessions.trials.decisions import keep_decisions, trials_of
from sessions.trials.matching import Matching
from sessions.trials.measure_columns import MeasureColumns
from sessions.trials.measures import MEASURES as TRIAL_MEASURES
from sessions.trials.questions import against_first, answer, own_questions, planned_by

CONFIDENCE = 0.95
WARMER_BY_C = 3.0
WINDIER_BY_MPS = 2.0
HEAVIER_BY_KG = 8.0
"""Conditions count as unlike where their means differ by at least this much (common practice, no source)."""


@dataclass(frozen=True)
class Measure:
    key: str
    label: str
    kind: str
    trial: str = ""
    """The key of the measure by which a difference in it is judged."""


MEASURES = (
    Measure("average_gate_speed", "Gate speed", "speed", "mean_gate_speed"),
    Measure("energy_per_distance", "Energy per km", "consumption", "energy_per_km"),
    Measure("range", "Range of a full pack", "trip", "range"),
    Measure("two_way_mean_speed", "Two-way mean speed", "speed", "two_way_mean_speed"),
    Measure("best_gate_speed", "Best gate speed", "speed", "best_gate_speed"),
    Measure("mean_power", "Mean power", "power"),
)
FIRST_MEASURES = MEASURES[:3]
"""The measures on the page until a person chooses others."""


@dataclass(frozen=True)
class SessionMean:
    """The mean of a measure over some sessions, None without one; and its interval, None with fewer than two."""

    measure: Measure
    count: int
    mean: float | None
    interval: comparison.MeanInterval | None

    @classmethod
    def of(cls, measure: Measure, season: Season, rows: Any) -> SessionMean:
        values = recorded(season.values(measure.key), rows)
        interval = comparison.mean_interval(values, CONFIDENCE) if values.size > 1 else None
        return cls(measure, int(values.size), float(values.mean()) if values.size else None, interval)


class Point(NamedTuple):
    """One session's value of a measure."""

    row: int
    started_at: datetime
    value: float


@dataclass
class Group:
    """One revision's sessions for one measure."""

    revision: Revision
    points: list[Point]
    interval: comparison.MeanInterval | None = None

    @property
    def values(self) -> list[float]:
        return [point.value for point in self.points]

    @property
    def mean(self) -> float | None:
        return sum(self.values) / len(self.values) if self.points else None


@dataclass
class MeasureComparison:
    measure: Measure
    groups: list[Group]
    left_out: list[str] = field(default_factory=list)


@dataclass
class RateRow:
    revision: Revision
    failures: int
    distance_m: float
    interval: reliability.Interval | None


@dataclass
class Comparison:
    vehicle: Vehicle
    revisions: list[Revision]
    conditions: list[str]
    unlike: list[str]
    measures: list[MeasureComparison]
    rates: list[RateRow]
    left_out: list[str]
    answers: AnswerRows
    doubtful_count: int
    """Records with an open doubt, which are out in whole or in part."""
    error_percent: float
    beside: list[Revision]
    """The two whose conditions stand beside each other; empty where more are compared."""
    beside_rows: list[tuple[str, list[str]]]


def compare(
    vehicle: Vehicle,
    revisions: list[Revision],
    matching: Matching,
    system: str,
    measures: tuple[Measure, ...] = FIRST_MEASURES,
    modifications: Sequence[Modification] | None = None,
    names_places: bool = True,
) -> Comparison:
    """Compare revisions of one vehicle over the sessions that match.

    With `modifications` the questions are those of the machine: its newest revision against the parent, what each
    modification was expected to do, and its trials. Without, they are those of the choice: each revision against the
    first of them. Either way all questions of the page share one error.
    """
    season = Season.beyond_doubt(vehicle, matching.direction)
    everything = {revision.pk: season.rows_of(revision) for revision in season.revisions}
    matched, left_out = matching.apply(season, everything, system)
    chosen = {revision.pk for revision in revisions}
    kept = np.zeros(season.count, dtype=bool)
    for rows in matched.values():
        kept[rows] = True
    trials = trials_of(vehicle)
    if modifications is None:
        tried = [TRIAL_MEASURES[measure.trial] for measure in measures if measure.trial]
        asked = planned_by(against_first(revisions, tried), trials)
        beside = revisions
    else:
        asked = own_questions(season, modifications, trials)
        beside = [asked[0].against, asked[0].revision] if asked else []
    columns = MeasureColumns(season, system, kept, names_places)
    answers = answer(columns, asked)
    if modifications is not None and kept.all() and not matching.direction:
        keep_decisions(answers)
    return Comparison(
        vehicle,
        revisions,
        _conditions(revisions, season, matched, system),
        _unlike(beside, season, matched, system),
        [_measured(measure, revisions, season, matched) for measure in measures],
        failure_rates_of(revisions, season, matched),
        [text for key, texts in left_out.items() if key in chosen for text in texts],
        answer_rows(answers, opens_with_first=modifications is not None),
        season.left_out.count if season.left_out is not None else 0,
        100.0 * columns.known.page_error_fraction,
        beside if len(beside) == 2 else [],
        conditions_beside(beside, season, matched, system) if len(beside) == 2 else [],
    )


def _measured(
    measure: Measure, revisions: list[Revision], season: Season, matched: dict[Any, Any]
) -> MeasureComparison:
    values = season.values(measure.key)
    groups, left_out = [], []
    for revision in revisions:
        rows = matched[revision.pk]
        has = ~np.isnan(values[rows])
        points = [Point(int(row), season.started_at[row], float(values[row])) for row in rows[has]]
        left_out += _why_left_out(measure, revision, season, rows[~has])
        interval = comparison.mean_interval([p.value for p in points], CONFIDENCE) if len(points) > 1 else None
        groups.append(Group(revision, points, interval))
    return MeasureComparison(measure, groups, left_out)


def _why_left_out(measure: Measure, revision: Revision, season: Season, rows: Any) -> list[str]:
    sentences = []
    for row in rows:
        missing = season.reports[row].missing
        needs = next((result.needs for result in missing if result.key == measure.key), ())
        sentences.append(f"{revision.label}, {season.started_at[row]:%Y-%m-%d}: needs {', '.join(needs)}")
    return sentences


def _conditions(revisions: list[Revision], season: Season, matched: dict[Any, Any], system: str) -> list[str]:
    """The conditions of each revision, shown before any verdict."""
    sentences, surfaces = [], dict(Session.Surface.choices)
    for revision in revisions:
        rows = matched[revision.pk]
        parts = []
        for name, prefix, kind in (
            ("air_temperature_c", "at", "temperature"),
            ("wind_speed_mps", "in wind of", "speed"),
        ):
            values = recorded(season.numbers[name], rows)
            if values.size:
                parts.append(f"{prefix} {written_span(float(values.min()), float(values.max()), kind, system)}")
        ridden_on = sorted({surfaces[season.surface[row]].lower() for row in rows if season.surface[row]})
        if ridden_on:
            parts.insert(1 if parts else 0, "on " + " and ".join(ridden_on))
        count = f"{len(rows)} session{'' if len(rows) == 1 else 's'}"
        sentences.append(f"{revision.label} was ridden {' '.join(parts) or 'in unrecorded conditions'} ({count}).")
    return sentences


def _unlike(revisions: list[Revision], season: Season, matched: dict[Any, Any], system: str) -> list[str]:
    """How the conditions of the other revisions differ from those of the first; empty where they do not."""
    sentences, surfaces = [], dict(Session.Surface.choices)
    for other in revisions[1:]:
        first, rows = matched[revisions[0].pk], matched[other.pk]
        if not len(first) or not len(rows):
            continue
        differences = []
        for name, word, step, kind in (
            ("air_temperature_c", ("warmer", "colder"), WARMER_BY_C, "temperature"),
            ("wind_speed_mps", ("windier", "calmer"), WINDIER_BY_MPS, "speed"),
            ("rider_mass_kg", ("with a heavier rider", "with a lighter rider"), HEAVIER_BY_KG, "mass"),
        ):
            sides = [recorded(season.numbers[name], side) for side in (rows, first)]
            means = [float(side.mean()) if side.size else math.nan for side in sides]
            apart = means[0] - means[1]
            if abs(apart) >= step:
                by = written_difference(abs(apart), kind, system, digits=2)
                differences.append(f"{by} {word[0] if apart > 0 else word[1]}")
        ridden_on, base_on = ({season.surface[row] for row in side if season.surface[row]} for side in (rows, first))
        if ridden_on and base_on and ridden_on != base_on:
            differences.append("on " + " and ".join(sorted(surfaces[surface].lower() for surface in ridden_on)))
        if differences:
            sentences.append(f"{other.label} was ridden {', '.join(differences)}, compared with {revisions[0].label}.")
    return sentences


def failure_rates_of(revisions: list[Revision], season: Season, matched: dict[Any, Any]) -> list[RateRow]:
    """Failures of the compared sessions, against the distance of those sessions.

    Those of rides without a distance count all the same, and so do those without a session where every session of the
    revision is compared: a rate is rather too high than too low.
    """
    distance = np.nan_to_num(season.numbers["distance_m"])
    failures = Failure.objects.filter(revision__vehicle=season.vehicle).annotate(session_text=as_text("session_id"))
    failed = Counter(failures.order_by().values_list("revision", "session_text"))
    by_session, without_session = Counter[Any](), Counter[Any]()
    for (revision_key, text), count in failed.items():
        (without_session if text is None else by_session)[revision_key if text is None else text] += count
    rows = []
    for revision in revisions:
        ridden = matched[revision.pk]
        count = sum(by_session[season.text[row]] for row in ridden)
        if len(ridden) == len(season.rows_of(revision)):
            count += without_session[revision.pk]
        total_m = float(distance[ridden].sum())
        interval = reliability.failure_rate(total_m / 1e5, count, CONFIDENCE) if total_m else None
        rows.append(RateRow(revision, count, total_m, interval))
    return rows


def in_measure_unit(value: float, measure: Measure, system: str) -> float:
    return float(in_shown_unit(value, measure.kind, system))
