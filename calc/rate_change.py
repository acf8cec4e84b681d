"""Did the rate of failures fall? Counts before and after a change, each against its exposure.

Given the total of both counts, the later one is binomial, so the ratio of the two rates has exact
limits that carry the uncertainty of the earlier rate along.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from calc.declaration import Number, kernel, not_negative, plain, positive, strictly_between

SOURCE = (
    "Przyborowski and Wilenski, Homogeneity of results in testing samples from Poisson series, Biometrika 31 "
    "(1940) 313–323: conditional (binomial) limits of the ratio of two Poisson rates."
)
CONFIDENCE = strictly_between(0.0, 1.0)


def _whole(name: str, value: float, least: int) -> int:
    if value != int(value) or value < least:
        raise ValueError(f"{name} must be a whole number of at least {least}, got {value:g}")
    return int(value)


@kernel(
    title="Upper bound of the ratio of two failure rates",
    formula="ρ ≤ (T₁/T₂) · q/(1−q), q = Beta⁻¹(C; r₂+1, r₁)",
    source=SOURCE,
    exposure_before=positive(),
    failures_before=not_negative(),
    exposure_after=positive(),
    failures_after=not_negative(),
    confidence=CONFIDENCE,
)
def rate_ratio_upper(
    exposure_before: float, failures_before: float, exposure_after: float, failures_after: float = 0,
    confidence: float = 0.8,
) -> float:  # fmt: skip
    """Rate after a change over the rate before it, at most, at one-sided confidence.

    Parameters
    ----------
    exposure_before, exposure_after: ridden before and after, in one unit, above 0.
    failures_before: a whole number, 1 or more; with none before, there is no rate to fall.
    failures_after: a whole number, 0 or more.
    confidence: one-sided level, between 0 and 1, both excluded.

    Returns
    -------
    The ratio that the counts do not exclude; 0.5 means: shown to be at most half of what it was.

    Raises
    ------
    ValueError: an argument is out of range, or a count is not whole or too small.

    Examples
    --------
    >>> round(rate_ratio_upper(exposure_before=100.0, failures_before=3, exposure_after=100.0, confidence=0.875), 9)
    1.0
    """
    from scipy import special

    before, after = _whole("failures_before", failures_before, 1), _whole("failures_after", failures_after, 0)
    share = float(special.betaincinv(after + 1, before, confidence))
    return exposure_before / exposure_after * share / (1.0 - share)


@kernel(
    title="Exposure that shows a fall of the failure rate",
    formula="T₂ = (T₁/f) · [(1−C)^(−1/r₁) − 1]",
    source=f"{SOURCE} Solved for no failure after the change.",
    exposure_before=positive(),
    failures_before=not_negative(),
    rate_fraction=positive(),
    confidence=CONFIDENCE,
)
def exposure_to_hold(
    exposure_before: float, failures_before: float, rate_fraction: float = 0.5, confidence: float = 0.8
) -> float:
    """How far to ride without a failure until the rate is shown to be below a share of the earlier one.

    Parameters
    ----------
    exposure_before: ridden before the change, above 0.
    failures_before: in that exposure, a whole number, 1 or more.
    rate_fraction: the share of the earlier rate, above 0.
    confidence: one-sided level, between 0 and 1, both excluded.

    Returns
    -------
    Exposure in the unit of `exposure_before`.

    Raises
    ------
    ValueError: an argument is out of range, or the count is not whole or 0.

    Examples
    --------
    >>> round(exposure_to_hold(exposure_before=100.0, failures_before=3, rate_fraction=0.5, confidence=0.875), 6)
    200.0
    """
    before = _whole("failures_before", failures_before, 1)
    return exposure_before / rate_fraction * math.expm1(-math.log1p(-confidence) / before)


ERROR_OF_FIXES = 0.3
"""What all fixes of a page together may leave: with useless fixes a page then says "did what it should" in 2 to 5 % of
seasons, because that claims half the earlier rate (`python -m tests.simulations failures`)."""


@kernel(
    title="How sure it must be that one of several fixes works",
    formula="C = 1 − 0.3/n",
    source="Bonferroni's inequality over the fixes listed; 0.3 by simulation (python -m tests.simulations failures).",
    fixes=positive(),
)
def confidence_for_fixes(fixes: float) -> float:
    """The one-sided confidence at which each of so many fixes is judged.

    Parameters
    ----------
    fixes: how many that have been ridden are judged together, a whole number of 1 or more.

    Returns
    -------
    Confidence, between 0 and 1.

    Raises
    ------
    ValueError: the number is not whole or too small.

    Examples
    --------
    >>> confidence_for_fixes(fixes=3)
    0.9
    """
    return 1.0 - ERROR_OF_FIXES / _whole("fixes", fixes, 1)


@kernel(
    title="Did the rate of failures change?",
    formula="p = min(1, 2 · min(P(X ≤ r₂), P(X ≥ r₂))), X binomial of r₁ + r₂ with T₂/(T₁ + T₂)",
    source=f"{SOURCE} Twice the one-sided value.",
    count_before=not_negative(),
    exposure_before=positive(),
    count_after=not_negative(),
    exposure_after=positive(),
)
def rate_change_p(count_before: Number, exposure_before: Number, count_after: Number, exposure_after: Number) -> Any:
    """How likely a difference between two rates as large as this one is, if there is none.

    Parameters
    ----------
    count_before, count_after: failures, whole numbers of 0 or more, floats or arrays.
    exposure_before, exposure_after: ridden meanwhile, in one unit, above 0.

    Returns
    -------
    Two-sided p value by the exact conditional test: twice the smaller one-sided value, at most 1.

    Raises
    ------
    ValueError: a count is not whole, or an argument is out of range.

    Examples
    --------
    >>> round(rate_change_p(count_before=7, exposure_before=40.0, count_after=2, exposure_after=60.0), 6)
    0.05007
    """
    from scipy import special

    before, after = np.asarray(count_before, dtype=np.float64), np.asarray(count_after, dtype=np.float64)
    for name, count in (("count_before", before), ("count_after", after)):
        if (count != np.floor(count)).any():
            raise ValueError(f"{name} must be a whole number")
    share = np.asarray(exposure_after) / (np.asarray(exposure_before) + np.asarray(exposure_after))
    # P(X ≤ r₂) and P(X ≥ r₂) by the incomplete beta function; at the ends of the count they are 1.
    with np.errstate(invalid="ignore"):
        fewer = np.where(before > 0, special.betainc(np.maximum(before, 1), after + 1, 1.0 - share), 1.0)
        more = np.where(after > 0, special.betainc(np.maximum(after, 1), before + 1, share), 1.0)
    return plain(np.minimum(1.0, 2.0 * np.minimum(fewer, more)))
