"""What the proof of a fix rests on, in words: units, rides left out, rides estimated, and what is still needed."""

from __future__ import annotations

import math
from itertools import groupby

from calc.exposure_gaps import DISTANCE, Ridden
from calc.failure_facts import HURTS
from calc.failure_state import Shown, Standing, State
from calc.fix_proof import Proof, Why
from calc.quantities import written
from calc.wording import counted, listed

OTHER_WAYS = "inspect, calculate or bench-test the fix"


def gap_sentences(total: Ridden) -> list[str]:
    """Which rides are estimated in a sum, and which count as zero because nothing is known of them.

    >>> gap_sentences(Ridden(rides=5, without_distance=2, estimated=1))
    ['The distance of 1 of 5 rides is estimated.', 'No distance for 2 of 5 rides, counted as 0 km.']
    """
    estimated = f"The distance of {total.estimated} of {counted(total.rides)} is estimated."
    sentences = [estimated] if total.estimated else []
    parts = (("distance", total.without_distance, "0 km"), ("runtime", total.without_runtime, "0 h"))
    return sentences + [
        f"No {name} for {unknown} of {counted(total.rides)}, counted as {nothing}."
        for name, unknown, nothing in parts
        if unknown
    ]


def counts(proof: Proof, system: str = "metric") -> str:
    """Failures and exposure before a fix and since, each on its careful side."""
    kind = proof.kind
    before = "" if math.isinf(proof.exposure_before) else f" in {ridden(proof.exposure_before, kind, system)}"
    if before and (proof.before.unknown(kind) or _estimated(proof.before, kind)):
        before = before.replace(" in ", " in at most ")
    least = "at least " if proof.after.unknown(kind) or _estimated(proof.after, kind) else ""
    after = f"{least}{ridden(proof.exposure_after, kind, system)}"
    return f"{proof.failures_before}{before} before, {proof.failures_after} in {after} since"


def _estimated(total: Ridden, kind: str) -> int:
    return total.estimated if kind == DISTANCE else 0


def exposure_sentences(proof: Proof, system: str = "metric") -> list[str]:
    """In what exposure is counted, and which rides are estimated or left out; empty where all are known and count."""
    kind, before, after = proof.kind, proof.before, proof.after
    name, nothing = ("distance", "0 km") if kind == DISTANCE else ("runtime", "0 h")
    sentences = []
    if kind != DISTANCE:
        both = before + after
        sentences.append(f"Counted in hours: no distance for {both.without_distance} of {counted(both.rides)}.")
    if before.unknown(kind):
        lacking = f"No {name} for {before.unknown(kind)} of {counted(before.rides)} before the fix"
        if math.isinf(proof.exposure_before):
            sentences.append(f"{lacking}, and nothing on record limits what it can have been.")
        else:
            longest = ridden(proof.exposure_before - before.shortest(kind), kind, system)
            sentences.append(f"{lacking}: the earlier rate takes the longest that is plausible, {longest} for these.")
    estimated = _estimated(before, kind) + _estimated(after, kind)
    if estimated:
        sentences.append(
            f"The distance of {counted(estimated)} is estimated: before the fix as long, since then as short as it "
            "can have been."
        )
    if proof.unlogged_before:
        sentences.append(f"No ride is recorded for {counted(proof.unlogged_before, 'failure')} before the fix.")
    if after.unknown(kind):
        lacking = f"{after.unknown(kind)} of {counted(after.rides)}"
        sentences.append(f"No {name} for {lacking} since the fix, counted as {nothing}.")
    return [*sentences, *_left_out(proof)]


def _left_out(proof: Proof) -> list[str]:
    sentences = []
    in_order = sorted(proof.left_out, key=lambda ride: (ride.why.name, ride.names, ride.revision.number))
    for (why, names), group in groupby(in_order, key=lambda ride: (ride.why, ride.names)):
        rows = list(group)
        rides = f"{counted(sum(row.rides for row in rows))} with {listed([row.revision.label for row in rows])}"
        sentences.append(f"Left out: {rides}, {_reason(proof, why, names)}")
    return sentences


def _reason(proof: Proof, why: Why, names: tuple[str, ...]) -> str:
    own, fix = proof.revision.label, f"“{proof.fix.title}”"
    if why is Why.NO_DESCENT:
        return f"not made from {own}, so without {fix}."
    if why is Why.LATER_FIX:
        return "where a later fix answers the same failure."
    if why is Why.PART_REMOVED:
        return f"without what {own} changed for {fix}: {listed(names)}."
    return (
        f"where it cannot be told whether {fix} is still fitted ({listed(names)}: not as on {own}, or not written "
        "down). A failure there counts all the same."
    )


def judged_sentence(proof: Proof) -> str:
    """The evidence that a later revision has the fix."""
    own = proof.revision.label
    if proof.judged_by:
        names = listed(proof.judged_by)
        return f"A revision made from {own} counts as having the fix while this is as on {own}: {names}."
    return (
        f"Nothing on record tells what {own} changed for the fix, so every revision made from it counts as having it."
    )


def refusal(proof: Proof | None, system: str = "metric", shown: Shown | None = None) -> str:
    """Why a fix may not be called held yet; `shown` adds what counts beside riding."""
    if proof is None:
        return "No modification that answers it is ridden yet, so nothing has held."
    if proof.failures_after:
        return "It has happened again since the fix, so the fix has not held."
    if shown is not None and shown.severity in HURTS:
        numeral = "I" if shown.severity == 1 else "II"
        return f"Riding alone does not show a fix for severity {numeral}. It still needs {listed(shown.lacks)}."
    if proof.needed is None and proof.before.rides == proof.unlogged_before:
        return (
            "No distance is recorded before the fix, nor a runtime, so there is no earlier rate to compare with: "
            f"{OTHER_WAYS}."
        )
    if proof.needed is None:
        lacking = f"{proof.before.unknown(proof.kind)} of {counted(proof.before.rides)}"
        return (
            f"How much it was ridden before the fix is not known for {lacking}, so there is no earlier rate to compare "
            f"with. Write down the distance or runtime of those rides; an estimate will do. Or {OTHER_WAYS}."
        )
    more = rounded(proof.still_needed or 0.0, proof.kind, system)
    sentence = (
        f"Not shown yet: {more} more without it would show, at {100 * proof.confidence:.0f} % confidence, less than "
        f"{100 * proof.rate_fraction:.0f} % of the earlier rate."
    )
    if proof.is_out_of_reach:
        so_far = rounded(proof.in_all.shortest(proof.kind), proof.kind, system)
        sentence += f" That is more than the {so_far} ridden so far: {OTHER_WAYS}."
    return sentence


def standing_sentences(standing: Standing, label: str = "") -> list[str]:
    """Why a failure, or a mode, is in its state. `label` names the revision of the fix."""
    fix, again, signature = standing.fix, standing.again, standing.signature
    name = f"“{fix.title}”{f' on {label}' if label else ''}" if fix else ""
    if standing.state is State.OPEN:
        return [f"{name} is planned but not built yet." if fix else "No fix of it is recorded."]
    if standing.state is State.FIX_FITTED:
        return [f"{name} is fitted; no ride with it is recorded yet."]
    if standing.state is State.RECURRED:
        came = f"It happened again on {again.happened_at:%Y-%m-%d}" if again else "It happened again"
        return [f"{came} although {name} was fitted." if fix else f"{came} after it was closed without a fix."]
    if signature is not None and standing.state is State.HELD:
        what = "Signed as held" if fix else "Closed without a fix"
        by = f" by {signature.by}" if signature.by else ""
        return [f"{what}{by} on {signature.signed_at:%Y-%m-%d}: {signature.why}"]
    sentences = [f"{name} has been ridden, and the failure has not come back."]
    if signature is not None:
        sentences.append(
            f"Signed as held on {signature.signed_at:%Y-%m-%d}, and what is recorded does not show it any more."
        )
    return sentences


def ridden(exposure: float, kind: str, system: str = "metric") -> str:
    """An exposure so far, to three digits: a wheel counter or a track is not known better.

    >>> ridden(34_387.0, "trip"), ridden(171_140.0, "trip"), ridden(5_230.0, "runtime")
    ('34.4 km', '171 km', '1 h 27 min')
    """
    return written(exposure, kind, system, digits=3)


def rounded(exposure: float, kind: str, system: str = "metric") -> str:
    """The exposure still needed, rounded for planning.

    >>> rounded(55_197.0, "trip"), rounded(1_334_200.0, "trip"), rounded(5_230.0, "runtime")
    ('55 km', '1334 km', '1 h 27 min')
    """
    return written(exposure, kind, system, digits=2 if exposure < 1e5 else 3)
