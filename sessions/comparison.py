"""Is one revision really better than another? Session means, their intervals, and plain sentences."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

from buildlog.models import Failure, Revision, Vehicle
from calc import comparison, reliability
from calc.quantities import difference_in_shown_unit, in_shown_unit, written
from sessions.models import Session
from sessions.queries import sessions_with_evidence
from sessions.results import reports_for

CONFIDENCE = 0.95


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
)


@dataclass
class Point:
    session: Session
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
    sentences: list[str] = field(default_factory=list)
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
    measures: list[MeasureComparison]
    rates: list[RateRow]
    rate_sentences: list[str]


def compare(vehicle: Vehicle, revisions: list[Revision], surface: str, system: str) -> Comparison:
    """Compare revisions of one vehicle over their sessions, optionally on one surface only."""
    found = sessions_with_evidence().filter(revision__in=revisions).order_by("started_at")
    if surface:
        found = found.filter(surface=surface)
    sessions = list(found)
    reports = reports_for(sessions)
    by_revision = {revision.pk: [s for s in sessions if s.revision_id == revision.pk] for revision in revisions}
    measures = []
    for measure in MEASURES:
        groups, left_out = [], []
        for revision in revisions:
            points = []
            for session in by_revision[revision.pk]:
                result = reports[session.pk].get(measure.key)
                if result is None:
                    needs = next((m.needs for m in reports[session.pk].missing if m.key == measure.key), ())
                    left_out.append(f"{revision.label}, {session.started_at:%Y-%m-%d}: needs {', '.join(needs)}")
                else:
                    points.append(Point(session, result.value))
            interval = comparison.mean_interval([p.value for p in points], CONFIDENCE) if len(points) > 1 else None
            groups.append(Group(revision, points, interval))
        sentences = [_sentence(measure, groups[0], group, system) for group in groups[1:]]
        measures.append(MeasureComparison(measure, groups, sentences, left_out))
    rates = _rates(revisions, by_revision)
    return Comparison(
        vehicle,
        revisions,
        _conditions(revisions, by_revision, system),
        measures,
        rates,
        [_rate_sentence(rates[0], row) for row in rates[1:]],
    )


def _sentence(measure: Measure, base: Group, other: Group, system: str) -> str:
    """One sentence on a revision against the first chosen one; never a bare arrow."""
    first, second = base.revision.label, other.revision.label
    counts = f"{len(other.points)} and {len(base.points)} sessions"
    if len(base.points) < 2 or len(other.points) < 2:
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
        needed = comparison.sessions_needed(seen, spread, CONFIDENCE)
        extra = needed - len(other.points)
        size = written(seen, measure.kind, system).replace("−", "")
        if extra > 50:
            more = f" The difference seen ({size}) is far smaller than the spread between sessions."
        elif extra > 0:
            more = f" About {extra} more sessions of {second} would show a difference of {size}."
    return f"{second} against {first}: cannot tell yet ({counts}).{more}"


def _conditions(revisions: list[Revision], by_revision: dict[Any, list[Session]], system: str) -> list[str]:
    """What each revision was ridden in; said before any verdict."""
    said = []
    for revision in revisions:
        sessions = by_revision[revision.pk]
        temperatures = [s.air_temperature_c for s in sessions if s.air_temperature_c is not None]
        surfaces = sorted({s.get_surface_display().lower() for s in sessions if s.surface})
        parts = []
        if temperatures:
            ends = [written(value, "temperature", system) for value in (min(temperatures), max(temperatures))]
            parts.append(f"at {ends[0]}" if ends[0] == ends[1] else f"at {ends[0]} to {ends[1]}")
        if surfaces:
            parts.append("on " + " and ".join(surfaces))
        count = f"{len(sessions)} session{'' if len(sessions) == 1 else 's'}"
        said.append(f"{revision.label} was ridden {' '.join(parts) or 'in unrecorded conditions'} ({count}).")
    return said


def _rates(revisions: list[Revision], by_revision: dict[Any, list[Session]]) -> list[RateRow]:
    """Failures in the compared sessions, against the distance of those sessions."""
    counted: dict[Any, int] = {}
    sessions = [session.pk for listed in by_revision.values() for session in listed if session.distance_m]
    for failure in Failure.objects.filter(session__in=sessions).values("revision_id"):
        counted[failure["revision_id"]] = counted.get(failure["revision_id"], 0) + 1
    rows = []
    for revision in revisions:
        distance_m = sum(session.distance_m or 0.0 for session in by_revision[revision.pk])
        count = counted.get(revision.pk, 0)
        interval = reliability.failure_rate(distance_m / 1e5, count, CONFIDENCE) if distance_m else None
        rows.append(RateRow(revision, count, distance_m, interval))
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


def shown(value: float, measure: Measure, system: str) -> float:
    return in_shown_unit(value, measure.kind, system)
