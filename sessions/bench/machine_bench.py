"""Everything to know of one machine before the next change, in a fixed number of queries."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from django.db.models import Prefetch, QuerySet

from buildlog.failures.exposure import Exposure
from buildlog.failures.fix_history import RIDDEN, history_of
from buildlog.failures.growth import Growth, growth_of
from buildlog.failures.loop import thresholds
from buildlog.failures.models import Failure, Modification
from buildlog.failures.queries import failure_rows
from buildlog.machines.limits import LimitPair, Ride, side_by_side
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
from sessions.evidence.session_results import reports_for
from sessions.logs.queries import sessions_of_line
from sessions.outings.models import Assumptions, Session

CONFIDENCE = 0.9
LATEST_FOR_VERDICTS = 8
CATEGORY_WEIGHT = {1: 4, 2: 3, 3: 2, 4: 1}
"""Risk is severity category times rate; I counts four times what IV does (common practice, no source)."""


@dataclass(frozen=True)
class Filters:
    """What of the failure history is looked at. Values that mean nothing narrow nothing."""

    mode: str = ""
    part: str = ""
    severity: str = ""
    revision: str = ""
    state: str = ""
    surface: str = ""

    @classmethod
    def of(cls, asked: Mapping[str, str]) -> Filters:
        return cls(**{name: str(asked.get(name, "")) for name in cls.__dataclass_fields__})

    def takes(self, failure: Failure) -> bool:
        told = {
            "mode": str(failure.mode_id),
            "part": str(failure.part_id),
            "severity": str(failure.severity),
            "revision": str(failure.revision_id),
            "state": failure.state,
            "surface": failure.session.surface if failure.session else "",
        }
        return all(not getattr(self, name) or getattr(self, name) == value for name, value in told.items())


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
    shown: list[Failure]
    modes: list[ModeRow]
    watched: list[WatchRow]
    growth: Growth
    limits: list[LimitPair]
    ride: Ride
    verdicts: list[verdicts.Verdict]
    modifications: list[Modification]
    begins: list[tuple[int, float]] = field(default_factory=list)
    last_session: Session | None = None

    @property
    def gaps(self) -> list[str]:
        """Which rides the rates take as nothing."""
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
        (one for one in reversed(revisions) if one.status in (Revision.Status.PLANNED, Revision.Status.IN_BUILD)), None
    )
    sessions, reports = _recent(revisions, modifications, today)
    ride = _ride(vehicle, today, sessions, reports)
    seen = seen_voltages(vehicle)
    machines = {one.pk: Machine(one, seen=seen) for one in revisions}
    limits = []
    if today is not None:
        limits = side_by_side(machines[today.pk], machines[(planned or today).pk], ride)
    watched = _watched(vehicle, everything, history, system)
    return Bench(
        vehicle, today, planned, exposure, history, everything,
        [one for one in reversed(everything) if filters.takes(one)],
        _modes(everything, exposure), watched, growth_of(everything, exposure), limits, ride,
        _verdicts(vehicle, modifications, machines, history, sessions, reports, ride, system),
        modifications, exposure.begins_m(), max(sessions, key=lambda one: one.started_at, default=None),
    )  # fmt: skip


def ride_of(vehicle: Vehicle) -> Ride:
    """How the machine is ridden today, as the bench takes it, without working out the rest of the bench."""
    revisions = read_line(vehicle)
    today = _ridden_now(revisions)
    return _ride(vehicle, today, *_recent(revisions, list(_modifications(vehicle)), today))


def _ridden_now(revisions: list[Revision]) -> Revision | None:
    return next((one for one in reversed(revisions) if one.status == Revision.Status.RIDING), None)


def _modifications(vehicle: Vehicle) -> QuerySet[Modification]:
    """The newest first."""
    found = Modification.objects.filter(revision__vehicle=vehicle)
    return found.select_related("revision__vehicle", "revision__parent").order_by("-revision__number", "title")


def _recent(
    revisions: list[Revision], modifications: list[Modification], today: Revision | None
) -> tuple[list[Session], dict[Any, Any]]:
    """Sessions of the revisions whose modifications are judged, and of those before them; with their results."""
    judged = [one for one in modifications if one.expected_measure in verdicts.MEASURED][:LATEST_FOR_VERDICTS]
    wanted = {one.revision_id for one in judged}
    wanted |= {one.revision.parent_id for one in judged if one.revision.parent_id is not None}
    if today is not None:
        wanted.add(today.pk)
    sessions = sessions_of_line(revisions, wanted)
    return sessions, reports_for(sessions)


def _ride(vehicle: Vehicle, today: Revision | None, sessions: list[Session], reports: dict[Any, Any]) -> Ride:
    """Rider of the last session, and the energy per km of today's revision."""
    riders = [one.rider_mass_kg + (one.payload_kg or 0.0) for one in sessions if one.rider_mass_kg]
    own = [
        result.value
        for one in sessions
        if today is not None and one.revision_id == today.pk
        for result in reports[one.pk].results
        if result.key == "energy_per_distance" and result.value > 0
    ]
    return Ride(
        riders[-1] if riders else None,
        sum(own) / len(own) if own else None,
        Assumptions.of(vehicle).reserve_fraction,
    )


def _modes(everything: list[Failure], exposure: Exposure) -> list[ModeRow]:
    by_mode: dict[uuid.UUID, list[Failure]] = {}
    for failure in everything:
        by_mode.setdefault(failure.mode_id, []).append(failure)
    hundred_km, hours = exposure.total_m / 1e5, exposure.total_s / 3600.0
    rows = []
    for mode, found in by_mode.items():
        risk = sum(CATEGORY_WEIGHT[one.severity] for one in found) / hundred_km if hundred_km else None
        rows.append(
            ModeRow(
                found[0].mode.name,
                mode,
                min(one.severity for one in found),
                len(found),
                risk,
                reliability.failure_rate(hundred_km, len(found), CONFIDENCE) if hundred_km else None,
                reliability.failure_rate(hours, len(found), CONFIDENCE) if hours else None,
                list(dict.fromkeys(one.get_state_display() for one in found)),
            )
        )
    weight = {row.mode: sum(CATEGORY_WEIGHT[one.severity] for one in by_mode[row.mode]) for row in rows}
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
            (one, one.pk in history.fixes and history.disproved_by(one.pk, failure.pk) is not None)
            for one in failure.answered_by.all()
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
    vehicle: Vehicle, modifications: list[Modification], machines: dict[Any, Machine], history: History,
    sessions: list[Session], reports: dict[Any, Any], ride: Ride, system: str,
) -> list[verdicts.Verdict]:  # fmt: skip
    means = verdicts.session_means(reports, sessions)
    seen = {one.revision_id for one in sessions}
    limits = thresholds(vehicle)
    found = []
    for one in modifications:
        if not one.expected_measure or one.revision.status not in RIDDEN:
            continue
        if one.expected_measure in verdicts.MEASURED:
            if one.revision_id not in seen and one.revision.parent_id not in seen:
                continue
            key = verdicts.MEASURED[Modification.Measure(one.expected_measure)]
            before, after = (means.get((pk, key), []) for pk in (one.revision.parent_id, one.revision_id))
            found.append(verdicts.verdict_by_sessions(one, before, after))
        elif one.expected_measure == Modification.Measure.STABILITY:
            parent = machines.get(one.revision.parent_id)
            found.append(verdicts.verdict_by_build(one, parent, machines[one.revision_id], ride))
        else:
            proof = history.proof_of_fix(one.pk, *limits) if one.pk in history.fixes else None
            found.append(verdicts.verdict_by_failures(one, proof, system))
    return found
