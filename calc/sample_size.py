"""How many sessions it takes to see a change."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from calc.declaration import Number, Range, kernel, strictly_between

FEWEST = 1.01
"""With one session of each nothing is left to know the spread by."""


@kernel(
    title="Sessions of each revision that show a change",
    formula="n with P(|t′(2n−2, δ√(n/2))| > t(1−α/2; 2n−2)) = power",
    source="Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed. (1988), ch. 2: two means, t test.",
    difference_in_sd=Range(1e-3, 10.0),
    power=strictly_between(0.0, 1.0),
    alpha=strictly_between(0.0, 1.0),
)
def sessions_for_power(difference_in_sd: Number, power: float, alpha: float) -> Any:
    """Sessions of each of two revisions that show a difference with a chance of `power`.

    Parameters
    ----------
    difference_in_sd: the change over the spread from session to session, float or array, from 0.001 to 10.
    power: chance to see it, above alpha and below 1.
    alpha: two-sided error, between 0 and 1, both excluded.

    Returns
    -------
    Sessions of each, not rounded, at least 1.01, shaped like `difference_in_sd`; round up to ride them.

    Raises
    ------
    ValueError: an argument is out of range, or the power is not above alpha (no session would be enough for that).

    Examples
    --------
    >>> round(sessions_for_power(difference_in_sd=0.5, power=0.8, alpha=0.05), 3)
    63.766
    """
    if power <= alpha:
        raise ValueError(f"power must be above alpha ({alpha:g}), got {power:g}")
    effects = np.asarray(difference_in_sd, dtype=np.float64)
    counts = np.array([_count(float(effect), power, alpha) for effect in effects.ravel()])
    return float(counts[0]) if effects.ndim == 0 else counts.reshape(effects.shape)


def _count(effect: float, power: float, alpha: float) -> float:
    from scipy import optimize, special

    def lacking(extra: float) -> float:
        """Power of 1 + extra sessions each, less the wanted one."""
        freedom = 2 * extra
        shift = effect * math.sqrt((1 + extra) / 2)
        critical = float(special.stdtrit(freedom, 1 - alpha / 2))
        # The lower tail by symmetry; the library gives NaN where it is too small to matter.
        wrong_way = 1.0 - np.nan_to_num(special.nctdtr(freedom, -shift, critical), nan=1.0)
        return 1.0 - float(special.nctdtr(freedom, shift, critical)) + float(wrong_way) - power

    normal = 2 * (special.ndtri(1 - alpha / 2) + special.ndtri(power)) ** 2 / effect**2
    low, high = normal / 2, normal + 1.0
    while low > FEWEST - 1.0 and lacking(low) > 0:
        low, high = low / 2, low
    if lacking(max(low, FEWEST - 1.0)) >= 0:
        return FEWEST
    low = max(low, FEWEST - 1.0)
    while lacking(high) < 0:
        low, high = high, 2 * high
    return 1.0 + float(optimize.brentq(lacking, low, high, xtol=1e-9, rtol=1e-12))
