"""Everything to know of one machine before the next change, in a fixed number of queries."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from django.db.models import QuerySet

from buildlog.failures.exposure import Exposure
from buildlog.failures.fix_history import RIDDEN
from buildlog.failures.growth import Growth, growth_of
from buildlog.failures.loop import loop_of, note_state
from buildlog.failures.models import Failure, Modification
from buildlog.failures.queries import failure_list
from buildlog.machines.limits import ResultPair, Ride, side_by_side
from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision, Vehicle
from buildlog.machines.queries import read_line
from buildlog.machines.seen_voltages import seen_voltages
from buildlog.upkeep.rides import MachineRides
from calc.failure_state import Loop
from calc.fix_proof import History
from calc.proof_sentences import gap_sentences
from sessions.bench.mode_rows import ModeRow, mode_rows
from sessions.bench.open_trials import OpenTrial, open_trials
from sessions.bench.verdicts import Verdict, verdict_by_build, verdict_by_failures, verdict_by_sessions
from sessions.evidence.doubtful_rides import doubtful_in, rides_of
from sessions.evidence.doubts import doubts_of_machine
from sessions.evidence.left_out import LeftOut
from sessions.evidence.logged_limits import LoggedBeyond, beyond_in_logs
from sessions.evidence.reader import Evidence, recorded
from sessions.evidence.season import Season
from sessions.outings.machine_queries import loads_of
from sessions.outings.models import Assumptions
from sessions.trials.decisions import keep_decisions, trials_of
from sessions.trials.measure_columns import MeasureColumns
from sessions.trials.questions import Answered, answer, own_questions


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


@dataclass
class Bench:
    """What was read of a machine. What only some pages show is worked out once it is asked for."""

    vehicle: Vehicle
    today: Revision | None
    planned: Revision | None
    exposure: Exposure
    loop: Loop
    everything: list[Failure]
    filtered: list[Failure]
    ride: Ride
    answers: list[Answered]
    modifications: list[Modification]
    everything_ridden: Season
    """With what is in doubt."""
    season: Season
    system: str

    @cached_property
    def modes(self) -> list[ModeRow]:
        return mode_rows(
            self.loop,
            self.exposure,
            self.everything,
            {change.pk: change for change in self.modifications},
            MachineRides(self.season.revisions, self.exposure.rides),
            self.system,
        )

    @cached_property
    def growth(self) -> Growth:
        return growth_of(self.everything, self.exposure)

    @cached_property
    def limits(self) -> list[ResultPair]:
        if self.today is None:
            return []
        machines = self.season.machines
        return side_by_side(machines[self.today.pk], machines[(self.planned or self.today).pk], self.ride)

    @cached_property
    def trials(self) -> list[OpenTrial]:
        return open_trials(self.answers)

    @cached_property
    def verdicts(self) -> list[Verdict]:
        return self.verdicts_on(self.modifications)

    def verdicts_on(self, modifications: Iterable[Modification]) -> list[Verdict]:
        """Of those that were expected to do something."""
        return _verdicts(self.answers, modifications, self.season.machines, self.loop, self.ride, self.system)

    @property
    def begins(self) -> list[tuple[int, float]]:
        return self.exposure.begins_m()

    @cached_property
    def beyond_in_logs(self) -> list[LoggedBeyond]:
        return beyond_in_logs(self.everything_ridden, self.season.machines, self.everything)

    @property
    def gaps(self) -> list[str]:
        """Rides whose exposure the rates estimate, or count as zero."""
        return gap_sentences(self.exposure.total)

    @property
    def history(self) -> History:
        return self.loop.history


def bench_of(vehicle: Vehicle, filters: Filters, system: str = "metric") -> Bench:
    revisions = read_line(vehicle)
    everything = list(failure_list().select_related("cause", "session").filter(revision__vehicle=vehicle))
    everything.sort(key=lambda failure: (failure.happened_at, failure.pk))
    modifications = list(_modifications(vehicle).prefetch_related("verifications"))
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
    everything_ridden = Season(vehicle, machines=machines)
    doubts = doubts_of_machine(vehicle, everything_ridden)
    season = everything_ridden.without_doubtful(LeftOut(doubts))
    exposure = Exposure(vehicle, doubtful_in(doubts), rides_of(everything_ridden))
    loop = loop_of(
        vehicle,
        exposure=exposure,
        revisions=revisions,
        failures=everything,
        verifications=[shown for change in modifications for shown in change.verifications.all()],
    )
    for failure in everything:
        note_state(failure, loop, loop.history.failures[failure.pk])
    loads_kg = recorded(season.load_kg, slice(None))
    ride = _ride(vehicle, today, season, float(loads_kg[-1]) if loads_kg.size else None)
    # The same questions under the same error as on the page that compares revisions.
    answers = answer(MeasureColumns(season, system), own_questions(season, modifications, trials_of(vehicle)))
    keep_decisions(answers)
    return Bench(
        vehicle,
        today,
        planned,
        exposure,
        loop,
        everything,
        [failure for failure in reversed(everything) if filters.matches(failure)],
        ride,
        answers,
        modifications,
        everything_ridden,
        season,
        system,
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


def _verdicts(
    answers: Sequence[Answered],
    modifications: Iterable[Modification],
    machines: Mapping[uuid.UUID, Machine],
    loop: Loop,
    ride: Ride,
    system: str,
) -> list[Verdict]:
    answered: dict[uuid.UUID, Answered] = {}
    for row in answers:
        if row.asked.modification is not None:
            answered.setdefault(row.asked.modification.pk, row)
    judged: list[Verdict] = []
    for modification in modifications:
        if modification.pk in answered:
            judged.append(verdict_by_sessions(answered[modification.pk]))
        elif modification.revision.status not in RIDDEN:
            continue
        elif modification.expected_measure == Modification.Measure.STABILITY:
            parent = modification.revision.parent_id
            before = None if parent is None else machines.get(parent)
            judged.append(verdict_by_build(modification, before, machines[modification.revision_id], ride))
        elif modification.expected_measure == Modification.Measure.FAILURE_RATE:
            judged.append(verdict_by_failures(modification, loop, system))
    return judged
