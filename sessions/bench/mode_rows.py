"""One row for each failure mode of a machine: its state, its rate, its fixes and what has been shown of them."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from buildlog.failures.exposure import Exposure
from buildlog.failures.models import Failure, Modification, Verification
from buildlog.machines.models import Part
from buildlog.upkeep.rides import MachineRides
from calc import reliability
from calc.exposure_gaps import DISTANCE
from calc.failure_facts import HURTS, Kinds, events
from calc.failure_state import Loop, Standing, State
from calc.fix_outcomes import outcome_of_fix
from calc.fix_proof import Proof
from calc.lineage import Fitted
from calc.mode_rates import shrunk_rates, shrunk_upper_limits
from calc.proof_sentences import counts, exposure_sentences, judged_sentence, refusal, ridden, standing_sentences
from calc.reliability import Interval
from calc.trials.answers import Outcome
from sessions.drawing.season_line import SeasonLine
from sessions.trials.questions import OUTCOMES

CONFIDENCE = 0.9
CATEGORY_WEIGHT = {1: 4, 2: 3, 3: 2, 4: 1}
"""Harm to be expected is severity category times rate; I counts four times IV (common practice, no source)."""
NUMERALS = {1: "I", 2: "II", 3: "III", 4: "IV"}
BADGES = {
    Outcome.AS_EXPECTED: "held",
    Outcome.LESS_THAN_EXPECTED: "held",
    Outcome.NOT_YET_KNOWN: "watching",
    Outcome.WORSE: "recurred",
    Outcome.NOTHING: "recurred",
}


@dataclass(frozen=True)
class FixRow:
    """One fix of a mode, and what riding and other evidence have shown of it."""

    modification: Modification
    outcome: Outcome
    proof: Proof
    sentences: list[str]
    verifications: list[Verification]
    is_ridden: bool

    @property
    def word(self) -> str:
        return OUTCOMES[self.outcome]

    @property
    def badge(self) -> str:
        return BADGES[self.outcome]

    @property
    def since_m(self) -> float:
        """Ridden with it, on its careful side."""
        return self.proof.after.shortest(DISTANCE)


@dataclass(frozen=True)
class CycleRate:
    """How often a mode comes for the cycles of the part that fails, of which there were so many at least and at most.

    per_100: by as few cycles as there can have been; None where none is known.
    """

    part: Part
    least: float
    most: float
    per_100: Interval | None


@dataclass(frozen=True)
class ModeRow:
    """One mode of one machine.

    expected_harm: weight of the category times the larger of the own and the shrunk upper limit of the rate, by which
    modes are ranked.
    """

    mode: uuid.UUID
    name: str
    standing: Standing
    severity: int
    failures: list[Failure]
    events: int
    per_100_km: Interval | None
    per_hour: Interval | None
    cycles: CycleRate | None
    shrunk_per_100_km: float | None
    expected_harm: float
    fixes: list[FixRow]
    sentence: str
    picture: SeasonLine | None

    @property
    def state(self) -> State:
        return self.standing.state

    @property
    def state_word(self) -> str:
        return str(Failure.State(str(self.state)).label).lower()

    @property
    def numeral(self) -> str:
        return NUMERALS[self.severity]

    @property
    def may_be_held(self) -> bool:
        return self.standing.may_be_held

    @property
    def last(self) -> Failure:
        return self.failures[-1]

    @property
    def history(self) -> list[Failure]:
        """The failures, the newest first."""
        return self.failures[::-1]


def mode_rows(
    loop: Loop,
    exposure: Exposure,
    everything: Iterable[Failure],
    modifications: Mapping[uuid.UUID, Modification],
    rides: MachineRides,
    system: str,
) -> list[ModeRow]:
    """The rows of one machine, those that can hurt somebody first, then by the harm to be expected."""
    by_mode: dict[uuid.UUID, list[Failure]] = {}
    for failure in everything:
        by_mode.setdefault(failure.mode_id, []).append(failure)
    if not by_mode:
        return []
    hundred_km, hours = exposure.total.shortest(DISTANCE) / 1e5, exposure.total_s / 3600.0
    counted = {mode: events(loop.modes[mode]) for mode in by_mode}
    unit = hundred_km or hours
    shrunk = upper = [0.0] * len(by_mode)
    if unit:
        each = list(counted.values()), [unit] * len(counted)
        shrunk, upper = shrunk_rates(*each), shrunk_upper_limits(*each, (1 + CONFIDENCE) / 2)
    rows = []
    for index, (mode, failures) in enumerate(by_mode.items()):
        count, severity = counted[mode], loop.severity(mode)
        per_100_km = reliability.failure_rate(hundred_km, count, CONFIDENCE) if hundred_km else None
        per_hour = reliability.failure_rate(hours, count, CONFIDENCE) if hours else None
        own = per_100_km or per_hour
        standing = loop.mode_standing(mode)
        worst_rate = max(float(own.upper), float(upper[index])) if own else float(count)
        rows.append(
            ModeRow(
                mode,
                failures[0].mode.name,
                standing,
                severity,
                failures,
                count,
                per_100_km,
                per_hour,
                _cycles(failures, count, rides),
                float(shrunk[index]) if hundred_km else None,
                CATEGORY_WEIGHT[severity] * worst_rate,
                _fixes(loop, mode, modifications, standing, system),
                _sentence(loop, standing, count, exposure, modifications, system),
                _picture(loop, exposure, mode, failures),
            )
        )
    return sorted(
        rows, key=lambda row: (row.severity not in HURTS, row.state is State.HELD, -row.expected_harm, row.name)
    )


def _cycles(failures: list[Failure], count: int, rides: MachineRides) -> CycleRate | None:
    """By the cycles of the one part that failures of a mode name, where it counts them; None without such a part."""
    parts = {failure.part_id: failure.part for failure in failures if failure.part is not None}
    if len(parts) != 1:
        return None
    [part] = parts.values()
    if not part.counts_cycles:
        return None
    use = rides.of_machine(failures[0].revision.vehicle_id, part)
    per_100 = reliability.failure_rate(use.cycles / 100.0, count, CONFIDENCE) if use.cycles else None
    return CycleRate(part, use.cycles, use.longest_cycles, per_100)


def _fixes(
    loop: Loop, mode: uuid.UUID, modifications: Mapping[uuid.UUID, Modification], standing: Standing, system: str
) -> list[FixRow]:
    """All modifications that answer a mode, the newest first, also those of which nothing is known yet."""
    history = loop.history
    # One failure of each cause: those that share it are answered together.
    failures = {failure.cause: failure for failure in loop.modes[mode]}
    rows = []
    for fix in history.fixes.values():
        answered = [failure for failure in failures.values() if history.kinds_of(fix.key).include(failure)]
        if not answered or fix.key not in modifications:
            continue
        modification = modifications[uuid.UUID(str(fix.key))]
        kinds = Kinds.of(answered)
        proof = loop.prove(fix, kinds)
        fall = modification.expected_amount_percent if modification.expected_measure == "failure_rate" else None
        outcome = outcome_of_fix(proof, loop.fixes_judged, fall / 100.0 if fall else None)
        if standing.state is State.HELD and standing.fix is fix and outcome is Outcome.NOT_YET_KNOWN:
            outcome = Outcome.AS_EXPECTED
        sentences = [f"{counts(proof, system)}.", *exposure_sentences(proof, system)]
        if not proof.judged_by:
            sentences.append(judged_sentence(proof))
        rows.append(
            FixRow(
                modification, outcome, proof, sentences, list(modification.verifications.all()),
                history.is_ridden(fix, kinds),
            )
        )  # fmt: skip
    return rows


def _sentence(
    loop: Loop,
    standing: Standing,
    count: int,
    exposure: Exposure,
    modifications: Mapping[uuid.UUID, Modification],
    system: str,
) -> str:
    """What a builder has to know of a mode at a glance."""
    if standing.state in (State.OPEN, State.RECURRED):
        total, kind = (
            (exposure.total.shortest(DISTANCE), DISTANCE)
            if exposure.total.distance_m
            else (exposure.total_s, "runtime")
        )
        how_often = (
            f"{count} in {ridden(total, kind, system)}." if total else f"{count}, and nothing ridden is measured."
        )
        return " ".join([how_often, *standing_sentences(standing, _label(standing, modifications))])
    sentences = standing_sentences(standing, _label(standing, modifications))
    if standing.state is State.WATCHING and standing.shown is not None:
        proof = standing.shown.proof
        next_words = "It may be called held." if standing.may_be_held else refusal(proof, system, standing.shown)
        return " ".join([*sentences, f"{counts(proof, system)}.", next_words])
    return " ".join(sentences)


def _label(standing: Standing, modifications: Mapping[uuid.UUID, Modification]) -> str:
    if standing.fix is None:
        return ""
    modification = modifications.get(uuid.UUID(str(standing.fix.key)))
    return modification.revision.label if modification else ""


def _picture(loop: Loop, exposure: Exposure, mode: uuid.UUID, failures: list[Failure]) -> SeasonLine | None:
    """The season with the failures of one mode, and what was ridden with a fix of it."""
    if exposure.placed_m <= 0:
        return None
    history = loop.history
    kinds = Kinds(frozenset({mode}), frozenset())
    fitted = {
        uuid.UUID(str(revision))
        for fix in history.fixes.values()
        if history.kinds_of(fix.key).include(loop.modes[mode][0]) and history.is_ridden(fix, kinds)
        for revision, state in history.fitted_on(fix).items()
        if state is Fitted.YES
    }
    places = [place for failure in failures if (place := exposure.place_m(failure)) is not None]
    return SeasonLine.of(exposure.placed_m, places, exposure.spans_m(fitted))
