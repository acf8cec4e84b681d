"""What riding says of a fix: the same five answers as for every other change."""

from __future__ import annotations

import math

from calc.fix_proof import Proof
from calc.rate_change import rate_change_p
from calc.trials.answers import Outcome

WORSE_ERROR = 0.05
"""What all fixes of a page together may leave of "made it worse" that is not so."""


def outcome_of_fix(proof: Proof, fixes: int, expected_fall: float | None = None) -> Outcome:
    """The answer, which holds however often one looks.

    That a fix did what it should is said while no failure of its kind came since, and withdrawn when one comes; that
    takes no allowance for looks. That it made things worse can be said after each failure: the k-th one spends
    1/(k(k+1)) of the error.

    Parameters
    ----------
    proof: the evidence of riding.
    fixes: how many are judged together, at least 1.
    expected_fall: by which share the rate was to fall, above 0 and at most 1; None where nothing was expected.
    """
    if proof.shown:
        wanted = min(proof.rate_fraction, 1.0 - (expected_fall or 0.0))
        is_enough = proof.ratio_upper is not None and proof.ratio_upper <= wanted
        # Nothing shows a rate of zero: a fall by all of it is as much as the bar asks.
        return Outcome.AS_EXPECTED if is_enough or wanted <= 0 else Outcome.LESS_THAN_EXPECTED
    came = proof.failures_after - proof.failures_left_out
    before, after = proof.before.shortest(proof.kind), proof.after.longest(proof.kind)
    if came > 0 and before > 0 and 0 < after < math.inf and came / after > proof.failures_before / before:
        one_sided = rate_change_p(proof.failures_before, before, came, after) / 2
        if one_sided <= WORSE_ERROR / (max(1, fixes) * came * (came + 1)):
            return Outcome.WORSE
    return Outcome.NOT_YET_KNOWN
