"""Did the rate of failures fall? Counts before and after a change, each against its exposure.

Given the total of both counts, the later one is binomial, so the ratio of the two rates has exact
limits that carry the uncertainty of the earlier rate along.
"""

from __future__ import annotations

import math

from calc.declaration import kernel, not_negative, positive, strictly_between

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
