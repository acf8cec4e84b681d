"""Everything to know of one machine before the next change, in a fixed number of queries."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.db.models import Prefetch, QuerySet

from buildlog.failures.exposure import Exposure
from buildlog.failures.fix_history import RIDDEN, history_of
from buildlog.failures.growth import Growth, growth_of
from buildlog.failures.loop import thresholds
from buildlog.failures.models import Failure, Modification
from buildlog.failures.queries import failure_rows
from buildlog.machines.limits import ResultPair, Ride, side_by_side
from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision, Vehicle
from buildlog.machines.queries import read_line
from buildlog.machines.seen_voltages import seen_voltages
from calc import reliability
from calc.exposure_gaps import DISTANCE
from calc.fix_proof import History, Proof
from calc.proof_sentences import exposure_sentences, gap_sentences, judged_sentence, refusal
from calc.reliability import Interval
from sessions.bench import verdicts
from sessions.evidence.reader import Evidence, recorded
from sessions.evidence.season import Season
from sessions.outings.machine_queries import loads_of
from sessions.outings.models import Assumptions
from sessions.trials.decisions import trials_of
from sessions.trials.measure_columns import MeasureColumns
from sessions.trials.questions import Answered, answer, own_questions

CONFIDENCE = 0.9
CATEGORY_WEIGHT = {1: 4, 2: 3, 3: 2, 4: 1}
"""Risk is severity category times rate; I counts four times what IV does (common practice, no source)."""


@dataclass(frozen=True)
class Filters:
    """Filters of the failure history. An unknown value matches nothing; an empty one matches everything."""

    mode: str = ""
    part: str = ""
    severity: str = ""
    revision: str = ""
    state: str = ""
    surface: str = ""

    @classmethod
    def of(cls, query: Mapping[str, str]) -> Filters:
        return cls(**{name: str(query.get(name, "")) for name in cls.__dataclass_fields__})

    def matches(self, failure: Failure) -> bool:
        values = {
            "mode": str(failure.mode_id),
            "part": str(failure.part_id),
            "severity": str(failure.severity),
            "revision": str(failure.revision_id),
            "state": failure.state,
            "surface": failure.session.surface if failure.session else "",
        }
        return all(not getattr(self, name) or getattr(self, name) == value for name, value in values.items())


@dataclass(frozen=True)
class ModeRow:
    """One failure mode against the whole exposure."""

    name: str
    mode: uuid.UUID
    worst: int
    count: int
    risk: float | None
    per_100_km: Interval | None
    per_hour: Interval | None
    states: list[str]

    @property
    def numeral(self) -> str:
        return ("I", "II", "III", "IV")[self.worst - 1]


@dataclass(frozen=True)
class WatchRow:
    """A failure whose loop is not closed, and what riding has shown of its fix."""

    failure: Failure
    proof: Proof | None
    refusal: str
    rests_on: list[str]
    answers: list[tuple[Modification, bool]]
    zero_bound: float | None

    @property
    def held_without_proof(self) -> bool:
        return self.failure.state == Failure.State.HELD


@dataclass
class Bench:
    vehicle: Vehicle
    today: Revision | None
    planned: Revision | None
    exposure: Exposure
    history: History
    everything: list[Failure]
    filtered: list[Failure]
    modes: list[ModeRow]
    watched: list[WatchRow]
    growth: Growth
    limits: list[ResultPair]
    ride: Ride
    verdicts: list[verdicts.Verdict]
    modifications: list[Modification]
    begins: list[tuple[int, float]]
    season: Season

    @property
    def gaps(self) -> list[str]:
        """Rides whose exposure the rates count as zero."""
        return gap_sentences(self.exposure.total)


def bench_of(vehicle: Vehicle, filters: Filters, system: str = "metric") -> Bench:
    exposure = Exposure(vehicle)
    revisions = read_line(vehicle)
    history = history_of(vehicle.pk, exposure.rides, revisions)
    everything = list(failure_rows().filter(revision__vehicle=vehicle).order_by("happened_at", "pk"))
    modifications = list(
        _modifications(vehicle).prefetch_related(
            Prefetch("answers", queryset=Failure.objects.select_related("mode", "revision__vehicle"))
        )
    )
    today = _ridden_now(revisions)
    planned = next(
        (
            revision
            for revision in reversed(revisions)
            if revision.status in (Revision.Status.PLANNED, Revision.Status.IN_BUILD)
        ),
        None,
    )
    seen = seen_voltages(vehicle)
    machines = {revision.pk: Machine(revision, seen=seen) for revision in revisions}
    season = Season.beyond_doubt(vehicle, machines=machines)
    loads_kg = recorded(season.load_kg, slice(None))
    ride = _ride(vehicle, today, season, float(loads_kg[-1]) if loads_kg.size else None)
    limits = []
    if today is not None:
        limits = side_by_side(machines[today.pk], machines[(planned or today).pk], ride)
    watched = _watched(vehicle, everything, history, system)
    return Bench(
        vehicle,
        today,
        planned,
        exposure,
        history,
        everything,
        [failure for failure in reversed(everything) if filters.matches(failure)],
        _modes(everything, exposure),
        watched,
        growth_of(everything, exposure),
        limits,
        ride,
        _verdicts(vehicle, modifications, machines, history, season, ride, system),
        modifications,
        exposure.begins_m(),
        season,
    )


def ride_of(vehicle: Vehicle) -> Ride:
    """How the machine is ridden today, as the bench takes it, without working out the rest of the bench."""
    machines = {revision.pk: Machine(revision) for revision in read_line(vehicle)}
    today = _ridden_now([machine.revision for machine in machines.values()])
    ridden = Evidence.of_revisions([] if today is None else [today.pk], machines)
    return _ride(vehicle, today, ridden, loads_of([vehicle.pk]).get(vehicle.pk))


def _ridden_now(revisions: list[Revision]) -> Revision | None:
    return next((revision for revision in reversed(revisions) if revision.status == Revision.Status.RIDING), None)


def _modifications(vehicle: Vehicle) -> QuerySet[Modification]:
    """The newest first."""
    rows = Modification.objects.filter(revision__vehicle=vehicle)
    return rows.select_related("revision__vehicle", "revision__parent").order_by("-revision__number", "title")


def _ride(vehicle: Vehicle, today: Revision | None, evidence: Evidence, load_kg: float | None) -> Ride:
    """Rider of the last session, and the energy per km of today's revision, whose sessions the evidence holds."""
    consumption = None
    if today is not None:
        own = recorded(evidence.values("energy_per_distance"), evidence.rows_of(today))
        own = own[own > 0]
        consumption = float(own.mean()) if own.size else None
    return Ride(load_kg, consumption, Assumptions.of(vehicle).reserve_fraction)


def _modes(everything: list[Failure], exposure: Exposure) -> list[ModeRow]:
    by_mode: dict[uuid.UUID, list[Failure]] = {}
    for failure in everything:
        by_mode.setdefault(failure.mode_id, []).append(failure)
    hundred_km, hours = exposure.total_m / 1e5, exposure.total_s / 3600.0
    rows = []
    for mode, failures in by_mode.items():
        risk = sum(CATEGORY_WEIGHT[failure.severity] for failure in failures) / hundred_km if hundred_km else None
        rows.append(
            ModeRow(
                failures[0].mode.name,
                mode,
                min(failure.severity for failure in failures),
                len(failures),
                risk,
                reliability.failure_rate(hundred_km, len(failures), CONFIDENCE) if hundred_km else None,
                reliability.failure_rate(hours, len(failures), CONFIDENCE) if hours else None,
                list(dict.fromkeys(failure.get_state_display() for failure in failures)),
            )
        )
    weight = {row.mode: sum(CATEGORY_WEIGHT[failure.severity] for failure in by_mode[row.mode]) for row in rows}
    return sorted(rows, key=lambda row: (-weight[row.mode], row.name))


def _watched(vehicle: Vehicle, everything: list[Failure], history: History, system: str) -> list[WatchRow]:
    """Failures whose loop is not closed, or was without proof; the worst first, with what riding has shown."""
    limits = thresholds(vehicle)
    rows = []
    for failure in everything:
        proof = history.proof_for(failure.pk, *limits)
        if failure.state == Failure.State.HELD and proof is not None and proof.shown:
            continue
        answers = [
            (
                modification,
                modification.pk in history.fixes and history.disproved_by(modification.pk, failure.pk) is not None,
            )
            for modification in failure.answered_by.all()
        ]
        rests_on = exposure_sentences(proof, system) if proof else []
        if proof is not None and not proof.judged_by:
            rests_on.append(judged_sentence(proof))
        rows.append(WatchRow(failure, proof, refusal(proof, system) if proof else "", rests_on, answers, _bound(proof)))
    return sorted(rows, key=lambda row: (row.failure.severity, -row.failure.happened_at.timestamp()))


def _bound(proof: Proof | None) -> float | None:
    """The rate that riding without a failure leaves possible, per 100 km or per hour, as exposure is counted."""
    if proof is None or proof.failures_after or not proof.exposure_after:
        return None
    unit = 1e5 if proof.kind == DISTANCE else 3600.0
    return unit / float(reliability.zero_failure_bound(proof.exposure_after, proof.confidence))


def _verdicts(
    vehicle: Vehicle,
    modifications: list[Modification],
    machines: dict[Any, Machine],
    history: History,
    season: Season,
    ride: Ride,
    system: str,
) -> list[verdicts.Verdict]:
    """Of every modification that was expected to do something, answered under the same error as on the page that
    compares revisions, because the questions are the same."""
    limits = thresholds(vehicle)
    answered: dict[uuid.UUID, Answered] = {}
    for row in answer(MeasureColumns(season, system), own_questions(season, modifications, trials_of(vehicle))):
        if row.asked.modification is not None:
            answered.setdefault(row.asked.modification.pk, row)
    answers: list[verdicts.Verdict] = []
    for modification in modifications:
        if modification.pk in answered:
            answers.append(verdicts.verdict_by_sessions(answered[modification.pk]))
        elif modification.revision.status not in RIDDEN:
            continue
        elif modification.expected_measure == Modification.Measure.STABILITY:
            parent = machines.get(modification.revision.parent_id)
            answers.append(verdicts.verdict_by_build(modification, parent, machines[modification.revision_id], ride))
        elif modification.expected_measure == Modification.Measure.FAILURE_RATE:
            proof = history.proof_of_fix(modification.pk, *limits) if modification.pk in history.fixes else None
            answers.append(verdicts.verdict_by_failures(modification, proof, system))
    return answers
