"""Did a modification do what it was expected to do? Expected effect against what was measured since."""

from __future__ import annotations

import math
from dataclasses import dataclass

from buildlog.failures.models import Modification
from buildlog.machines.limits import Ride, limits_of
from buildlog.machines.machine import Machine
from calc import comparison
from calc.fix_proof import Proof
from calc.proof_sentences import counts, exposure_sentences
from calc.rate_change import rate_ratio_upper

CONFIDENCE = 0.95
MEASURED = {
    Modification.Measure.TOP_SPEED: "average_gate_speed",
    Modification.Measure.CONSUMPTION: "energy_per_distance",
    Modification.Measure.RANGE: "range",
}
MET, NOT_MET, CANNOT_TELL = "met", "not met", "cannot tell yet"


@dataclass(frozen=True)
class Verdict:
    modification: Modification
    word: str
    sentence: str
    more_sessions: int | None = None
    more: float | None = None
    more_kind: str = "trip"
    needs_parent: bool = False

    @property
    def badge(self) -> str:
        return {MET: "held", NOT_MET: "recurred"}.get(self.word, "watching")


def expectation(modification: Modification) -> str:
    amount = modification.expected_amount_percent
    by = f" by {amount:g} %" if amount else ""
    return f"{modification.get_expected_measure_display()} {modification.get_expected_direction_display()}{by}"


def verdict_by_sessions(modification: Modification, before: list[float], after: list[float]) -> Verdict:
    """By the session means of the revision before and the one with the modification.

    Met: it change_percent the expected way for sure, and the expected amount lies within what was measured or
    below it. Not met: it is sure that it did less. Otherwise it cannot be told yet.
    """
    counts = f"{len(after)} and {len(before)} sessions"
    if len(before) < 2 or len(after) < 2:
        lacking = 2 - min(len(before), len(after))
        words = f"At least two sessions of each revision are needed ({counts})."
        return Verdict(modification, CANNOT_TELL, words, lacking, needs_parent=len(before) < 2)
    expected = modification.expected_amount_percent or 0.0
    sign = 1.0 if modification.expected_direction == Modification.Direction.UP else -1.0
    base = sum(before) / len(before)
    try:
        measured = comparison.welch(after, before, CONFIDENCE)
    except ValueError:
        return Verdict(modification, CANNOT_TELL, f"The sessions do not differ at all ({counts}).")
    low, high = sorted(100.0 * sign * limit / base for limit in (measured.lower, measured.upper))
    change_percent = 100.0 * sign * measured.difference / base
    words = f"Measured {change_percent:+.1f} % the expected way, 95 % between {low:+.1f} and {high:+.1f} ({counts})."
    if high < expected or high <= 0:
        return Verdict(modification, NOT_MET, words)
    if low > 0:
        return Verdict(modification, MET, words)
    spread = max(_spread(before), _spread(after))
    difference = abs(base) * (expected / 100.0 if expected else abs(change_percent) / 100.0)
    more = None
    if difference > 0 and spread > 0:
        more = max(1, comparison.sessions_needed(difference, spread, CONFIDENCE) - min(len(before), len(after)))
    return Verdict(modification, CANNOT_TELL, words, more)


def _spread(values: list[float]) -> float:
    return comparison.mean_interval(values, CONFIDENCE).standard_deviation


def verdict_by_failures(modification: Modification, proof: Proof | None, system: str = "metric") -> Verdict:
    """By counts of all the failures it answers, before and since, against the exposure that is known.

    Met is judged with the longest possible earlier exposure and the shortest later one, not met the other way.
    """
    if proof is None or proof.ratio_upper is None:
        words = "It needs failures and a known distance or time before it, and since."
        return Verdict(
            modification, CANNOT_TELL, " ".join([words, *(exposure_sentences(proof, system) if proof else [])])
        )
    allowed = 1.0 - (modification.expected_amount_percent or 0.0) / 100.0
    if proof.ratio_upper > 1:
        words = f"{counts(proof, system)}: that does not yet show it comes less often."
    else:
        words = (
            f"{counts(proof, system)}; at {100 * proof.confidence:.0f} % confidence at most "
            f"{100 * proof.ratio_upper:.0f} % of the earlier rate."
        )
    words = " ".join([words, *exposure_sentences(proof, system)])
    if proof.ratio_upper <= allowed:
        return Verdict(modification, MET, words)
    if _came_too_often(proof, allowed):
        return Verdict(modification, NOT_MET, words)
    return Verdict(modification, CANNOT_TELL, words, more=proof.still_needed, more_kind=proof.kind)


def _came_too_often(proof: Proof, allowed: float) -> bool:
    """Whether the later rate is above the allowed share of the earlier one, in each way the gaps can be filled."""
    counted = proof.failures_after - proof.failures_left_out
    longest, shortest = proof.after.longest(proof.kind), proof.before.shortest(proof.kind)
    if not counted or not shortest or math.isinf(longest):
        return False
    return 1.0 / rate_ratio_upper(longest, counted, shortest, proof.failures_before, proof.confidence) > allowed


def verdict_by_build(modification: Modification, before: Machine | None, after: Machine, ride: Ride) -> Verdict:
    """By the builds alone: stability needs no riding."""
    if before is None:
        return Verdict(modification, CANNOT_TELL, "It has no parent to compare it with.")
    was, now = (
        next(limit for limit in limits_of(machine, ride) if limit.key == "static_stability_factor")
        for machine in (before, after)
    )
    if was.value is None or now.value is None:
        machine, limit = (before, was) if was.value is None else (after, now)
        return Verdict(modification, CANNOT_TELL, f"The stability of {machine.revision.label} {limit.needs_words}.")
    sign = 1.0 if modification.expected_direction == Modification.Direction.UP else -1.0
    change_percent = 100.0 * sign * (now.value - was.value) / was.value
    words = f"Worked out from both builds: {change_percent:+.1f} % the expected way."
    enough = change_percent > 0 and change_percent >= (modification.expected_amount_percent or 0.0)
    return Verdict(modification, MET if enough else NOT_MET, words)
