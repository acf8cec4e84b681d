"""Is one revision really better than another? Session means, their intervals, and plain sentences."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, NamedTuple

import numpy as np

from buildlog.failures.models import Failure
from buildlog.machines.models import Revision, Vehicle
from buildlog.storage.columns import as_text
from calc import comparison, reliability
from calc.quantities import difference_in_shown_unit, in_shown_unit, written, written_difference
from sessions.evidence.reader import recorded
from sessions.evidence.season import Season
from sessions.outings.models import Session
from sessions.trials.matching import Matching

CONFIDENCE = 0.95
MANY_SESSIONS = 50
WARMER_BY_C = 3.0
WINDIER_BY_MPS = 2.0
HEAVIER_BY_KG = 8.0
"""Conditions count as unlike where their means differ by at least this much (common practice, no source)."""


@dataclass(frozen=True)
class Measure:
    key: str
    label: str
    kind: str
    more: str
    less: str


MEASURES = (
    Measure("average_gate_speed", "Gate speed", "speed", "faster", "slower"),
    Measure("energy_per_distance", "Energy per km", "consumption", "thirstier", "thriftier"),
    Measure("range", "Range of a full pack", "trip", "longer-ranged", "shorter-ranged"),
    Measure("two_way_mean_speed", "Two-way mean speed", "speed", "faster", "slower"),
    Measure("best_gate_speed", "Best gate speed", "speed", "faster", "slower"),
    Measure("mean_power", "Mean power", "power", "hungrier for power", "easier on power"),
)
FIRST_MEASURES = MEASURES[:3]
"""The measures on the page until a person chooses others."""
COVARIATES = {
    "air_temperature_c": ("air temperature", "temperature"),
    "wind_speed_mps": ("wind", "speed"),
    "rider_mass_kg": ("rider", "mass"),
}


class Point(NamedTuple):
    """One session's value of a measure."""

    row: int
    started_at: datetime
    value: float
    covariate: float = math.nan


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
    sentences: list[str] = field(default_factory=list)
    adjusted: list[str] = field(default_factory=list)
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
    rate_sentences: list[str]
    left_out: list[str]
    doubtful_count: int
    """Records with an open doubt, which are out in whole or in part."""


def compare(
    vehicle: Vehicle,
    revisions: list[Revision],
    matching: Matching,
    system: str,
    measures: tuple[Measure, ...] = FIRST_MEASURES,
    covariate: str = "",
) -> Comparison:
    """Compare revisions of one vehicle over the sessions that match."""
    season = Season.beyond_doubt(vehicle, matching.direction)
    rows_of = {revision.pk: season.rows_of(revision) for revision in revisions}
    matched, left_out = matching.apply(season, rows_of, system)
    rates = failure_rates_of(revisions, season, matched)
    return Comparison(
        vehicle,
        revisions,
        _conditions(revisions, season, matched, system),
        _unlike(revisions, season, matched, system),
        [_measured(measure, revisions, season, matched, system, covariate) for measure in measures],
        rates,
        [_rate_sentence(rates[0], row) for row in rates[1:]],
        left_out,
        season.left_out.count if season.left_out is not None else 0,
    )


def _measured(
    measure: Measure, revisions: list[Revision], season: Season, matched: dict[Any, Any], system: str, covariate: str
) -> MeasureComparison:
    values = season.values(measure.key)
    beside = season.numbers[covariate] if covariate else np.full(season.count, np.nan)
    groups, left_out = [], []
    for revision in revisions:
        rows = matched[revision.pk]
        has = ~np.isnan(values[rows])
        points = [Point(int(row), season.started_at[row], float(values[row]), float(beside[row])) for row in rows[has]]
        left_out += _why_left_out(measure, revision, season, rows[~has])
        interval = comparison.mean_interval([p.value for p in points], CONFIDENCE) if len(points) > 1 else None
        groups.append(Group(revision, points, interval))
    sentences = [_sentence(measure, groups[0], group, system) for group in groups[1:]]
    adjusted = [_adjusted(measure, groups[0], group, system, covariate) for group in groups[1:]] if covariate else []
    return MeasureComparison(measure, groups, sentences, adjusted, left_out)


def _why_left_out(measure: Measure, revision: Revision, season: Season, rows: Any) -> list[str]:
    sentences = []
    for row in rows:
        missing = season.reports[row].missing
        needs = next((result.needs for result in missing if result.key == measure.key), ())
        sentences.append(f"{revision.label}, {season.started_at[row]:%Y-%m-%d}: needs {', '.join(needs)}")
    return sentences


def _adjusted(measure: Measure, base: Group, other: Group, system: str, covariate: str) -> str:
    """The difference as if both had been ridden at one value of the covariate."""
    first, second, name = base.revision.label, other.revision.label, COVARIATES[covariate][0]
    sides = [[point for point in group.points if not math.isnan(point.covariate)] for group in (other, base)]
    lacking = len(base.points) + len(other.points) - sum(map(len, sides))
    without = f" {lacking} without a recorded {name} left out." if lacking else ""
    try:
        result = comparison.adjusted_difference(
            [p.value for p in sides[0]],
            [p.covariate for p in sides[0]],
            [p.value for p in sides[1]],
            [p.covariate for p in sides[1]],
            CONFIDENCE,
        )
    except ValueError:
        return (
            f"{second} against {first} at equal {name}: cannot tell; too few sessions, or their {name} does not "
            f"overlap.{without}"
        )
    size, low, high = (
        written_difference(value, measure.kind, system) for value in (result.difference, result.lower, result.upper)
    )
    return f"{second} less {first} at equal {name}: {size}, 95 % between {low} and {high}.{without}"


def _sentence(measure: Measure, base: Group, other: Group, system: str) -> str:
    """One sentence that compares a revision with the first chosen revision."""
    first, second = base.revision.label, other.revision.label
    counts = f"{len(other.points)} and {len(base.points)} sessions"
    if base.interval is None or other.interval is None:
        short = second if len(other.points) < 2 else first
        return f"{second} against {first}: cannot tell yet; at least two sessions of {short} are needed ({counts})."
    try:
        result = comparison.welch(other.values, base.values, CONFIDENCE)
    except ValueError:
        return f"{second} against {first}: the sessions do not differ at all, so chance cannot be judged ({counts})."
    low, high = sorted(
        abs(difference_in_shown_unit(limit, measure.kind, system)) for limit in (result.lower, result.upper)
    )
    if result.lower > 0 or result.upper < 0:
        word = measure.more if result.difference > 0 else measure.less
        size = abs(difference_in_shown_unit(result.difference, measure.kind, system))
        # Two significant digits of the interval's half-width (JCGM 100:2008, 7.2.6).
        decimals = max(0, 1 - math.floor(math.log10((high - low) / 2)))
        unit = written(0.0, measure.kind, system).removeprefix("0").strip()
        return (
            f"{second} is {size:.{decimals}f} {unit} {word} than {first} "
            f"(95 % between {low:.{decimals}f} and {high:.{decimals}f}; {counts})."
        )
    seen = abs(result.difference)
    spread = max(base.interval.standard_deviation, other.interval.standard_deviation)
    more = ""
    if seen > 0 and spread > 0:
        seen_text = written(seen, measure.kind, system, digits=2).replace("−", "")
        # The rough count is never above the exact one, which takes far longer.
        extra = comparison.sessions_needed_roughly(seen, spread, CONFIDENCE) - len(other.points)
        if extra <= MANY_SESSIONS:
            extra = comparison.sessions_needed(seen, spread, CONFIDENCE) - len(other.points)
        if extra > MANY_SESSIONS:
            more = f" The difference seen ({seen_text}) is far smaller than the spread between sessions."
        elif extra > 0:
            more = f" About {extra} more sessions of {second} would show a difference of {seen_text}."
    return f"{second} against {first}: cannot tell yet ({counts}).{more}"


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
                ends = [written(float(value), kind, system, digits=3) for value in (values.min(), values.max())]
                parts.append(f"{prefix} {ends[0]}" if ends[0] == ends[1] else f"{prefix} {ends[0]} to {ends[1]}")
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
                by = written_difference(abs(apart), kind, system)
                differences.append(f"{by} {word[0] if apart > 0 else word[1]}")
        ridden_on, base_on = ({season.surface[row] for row in side if season.surface[row]} for side in (rows, first))
        if ridden_on and base_on and ridden_on != base_on:
            differences.append("on " + " and ".join(sorted(surfaces[surface].lower() for surface in ridden_on)))
        if differences:
            sentences.append(f"{other.label} was ridden {', '.join(differences)}, compared with {revisions[0].label}.")
    return sentences


def failure_rates_of(revisions: list[Revision], season: Season, matched: dict[Any, Any]) -> list[RateRow]:
    """Failures in the compared sessions, against the distance of those sessions."""
    distance = np.nan_to_num(season.numbers["distance_m"])
    vehicle = {"revision__vehicle": season.vehicle, "session__isnull": False}
    failures = Failure.objects.filter(**vehicle).annotate(session_text=as_text("session_id"))
    failed = Counter(failures.values_list("session_text", flat=True))
    rows = []
    for revision in revisions:
        ridden = [row for row in matched[revision.pk] if distance[row] > 0]
        count = sum(failed[season.text[row]] for row in ridden)
        total_m = float(distance[ridden].sum())
        interval = reliability.failure_rate(total_m / 1e5, count, CONFIDENCE) if total_m else None
        rows.append(RateRow(revision, count, total_m, interval))
    return rows


def _rate_sentence(base: RateRow, other: RateRow) -> str:
    """Overlapping limits are never called a difference."""
    first, second = base.revision.label, other.revision.label
    if base.interval is None or other.interval is None:
        return f"{second} against {first}: cannot tell yet; no distance was recorded for one of them."
    if other.interval.upper < base.interval.lower:
        return f"{second} fails less often than {first}: the 95 % limits do not overlap."
    if other.interval.lower > base.interval.upper:
        return f"{second} fails more often than {first}: the 95 % limits do not overlap."
    return f"{second} against {first}: cannot tell yet; the 95 % limits overlap. More kilometres narrow them."


def in_measure_unit(value: float, measure: Measure, system: str) -> float:
    return float(in_shown_unit(value, measure.kind, system))
