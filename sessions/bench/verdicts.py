"""Did a modification do what it was expected to do? The same five answers for every measure."""

from __future__ import annotations

import math
import uuid
from dataclasses import dataclass

from buildlog.failures.models import Modification
from buildlog.machines.limits import Ride, limits_of
from buildlog.machines.machine import Machine
from calc.failure_state import Loop
from calc.fix_outcomes import outcome_of_fix
from calc.proof_sentences import counts, exposure_sentences
from calc.trials.answers import Answer, Expectation, Outcome, outcome_of
from calc.trials.columns import Measure
from sessions.trials.questions import OUTCOMES, Answered, expectation_of, percent

STABILITY = Measure("static_stability_factor", smallest_difference=0.03)
"""Smaller changes are assumed not to matter (a declared assumption)."""

_BADGES = {Outcome.AS_EXPECTED: "held", Outcome.LESS_THAN_EXPECTED: "held", Outcome.NOT_YET_KNOWN: "watching"}


@dataclass(frozen=True)
class Verdict:
    modification: Modification
    outcome: Outcome
    sentence: str
    more_sessions: int | None = None
    more: float | None = None
    more_kind: str = "trip"
    needs_parent: bool = False
    is_out_of_reach: bool = False
    """Whether no season holds the sessions that an answer would take."""
    measure: str = ""
    change: float | None = None
    lower: float | None = None
    upper: float | None = None
    chance_of_answer: float | None = None
    """That the sessions of the plan tell the change that was expected."""
    trial: uuid.UUID | None = None
    """Which plans the days of its question."""

    @property
    def word(self) -> str:
        return OUTCOMES[self.outcome]

    @property
    def is_open(self) -> bool:
        return self.outcome is Outcome.NOT_YET_KNOWN

    @property
    def badge(self) -> str:
        return _BADGES.get(self.outcome, "recurred")


def expectation(modification: Modification) -> str:
    amount = modification.expected_amount_percent
    by = f" by {amount:g} %" if amount else ""
    return f"{modification.get_expected_measure_display()} {modification.get_expected_direction_display()}{by}"


def verdict_by_sessions(answered: Answered) -> Verdict:
    """By what the sessions of the whole machine say of this question, as on the page that compares revisions."""
    modification, result = answered.asked.modification, answered.result
    if modification is None:
        raise ValueError("a verdict needs a question that a modification asks")
    figures, label = result.figures, answered.asked.measure.label
    days = f"{result.evidence.values} and {result.evidence.against_values} days"
    words = f"{label}: {days}."
    if figures is not None:
        low, high = percent(figures.lower), percent(figures.upper)
        words = f"{label} {percent(figures.change)}, between {low} and {high} ({days})."
    words = " ".join(filter(None, [words, answered.sentence]))
    is_open = result.outcome is Outcome.NOT_YET_KNOWN
    is_out_of_reach = result.answer is Answer.NOT_BY_RIDING
    return Verdict(
        modification,
        result.outcome or Outcome.NOT_YET_KNOWN,
        words,
        answered.more_sessions if is_open else None,
        needs_parent=not result.evidence.against_values,
        is_out_of_reach=is_open and is_out_of_reach,
        measure=answered.asked.measure.key,
        change=figures.change if figures else None,
        lower=figures.lower if figures else None,
        upper=figures.upper if figures else None,
        chance_of_answer=result.plan.chance_to_tell if result.plan else None,
        trial=answered.asked.trial.pk if answered.asked.trial else None,
    )


def verdict_by_failures(modification: Modification, loop: Loop, system: str = "metric") -> Verdict:
    """By counts of all the failures it answers, before and since, against the exposure that is known.

    The rate is compared with the longest possible earlier exposure and the shortest later one where it is better, and
    the other way round where it is worse.
    """
    proof = loop.proof_of_fix(modification.pk)
    if proof is None or proof.ratio_upper is None:
        words = "It needs failures and a known distance or time before it, and since."
        sentences = [words, *(exposure_sentences(proof, system) if proof else [])]
        return Verdict(modification, Outcome.NOT_YET_KNOWN, " ".join(sentences))
    expected = modification.expected_amount_percent
    outcome = outcome_of_fix(proof, loop.fixes_judged, expected / 100.0 if expected else None)
    words = f"{counts(proof, system)}."
    if outcome is not Outcome.NOT_YET_KNOWN and not proof.failures_after:
        share = f"{100 * proof.ratio_upper:.0f} % of the earlier rate"
        words = f"{counts(proof, system)}; at {100 * proof.confidence:.0f} % confidence at most {share}."
    elif proof.failures_after and outcome is Outcome.NOT_YET_KNOWN:
        words += " It happened again, so nothing shows that it happens less often."
    words = " ".join([words, *exposure_sentences(proof, system)])
    can_be_ridden = outcome is Outcome.NOT_YET_KNOWN and not proof.failures_after
    return Verdict(
        modification, outcome, words, more=proof.still_needed if can_be_ridden else None, more_kind=proof.kind
    )


def verdict_by_build(modification: Modification, before: Machine | None, after: Machine, ride: Ride) -> Verdict:
    """By the builds alone: stability needs no riding."""
    if before is None:
        return Verdict(modification, Outcome.NOT_YET_KNOWN, "It has no parent to compare it with.")
    was, now = (
        next(limit for limit in limits_of(machine, ride) if limit.key == "static_stability_factor")
        for machine in (before, after)
    )
    if not was.value or not now.value:
        machine, limit = (before, was) if not was.value else (after, now)
        words = f"The stability of {machine.revision.label} {limit.needs_words}."
        return Verdict(modification, Outcome.NOT_YET_KNOWN, words)
    change = math.log(now.value / was.value)
    expected: Expectation = expectation_of(modification)
    outcome = outcome_of(change, change, change, STABILITY, expected)
    share = math.expm1(change)
    words = f"Worked out from both builds: static stability factor {percent(share)}."
    return Verdict(modification, outcome, words, measure=STABILITY.key, change=share, lower=share, upper=share)
