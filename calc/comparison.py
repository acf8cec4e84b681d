"""Statistics to compare two revisions, including whether a difference can be shown yet.

Passes of one session share its weather, surface and rider; they are not independent. Give these
functions one mean for each session.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from calc.declaration import Numbers, any_real, kernel, positive, strictly_between
from calc.multiple_questions import holm
from calc.repeated_looks import spending_bounds
from calc.sample_size import sessions_for_power

__all__ = [
    "Adjusted",
    "Difference",
    "MeanInterval",
    "adjusted_difference",
    "holm",
    "mean_interval",
    "sessions_for_power",
    "sessions_needed",
    "sessions_needed_roughly",
    "spending_bounds",
    "welch",
]

CONFIDENCE = strictly_between(0.0, 1.0)
HANDBOOK = "NIST/SEMATECH e-Handbook of Statistical Methods"


class MeanInterval(NamedTuple):
    mean: float
    lower: float
    upper: float
    standard_deviation: float
    sessions: int


@kernel(
    title="Mean with its interval",
    formula="x̄ ± t(n−1) · s / √n",
    source=f"{HANDBOOK}, 1.3.5.2.",
    values=any_real(),
    confidence=CONFIDENCE,
)
def mean_interval(values: Numbers, confidence: float = 0.95) -> MeanInterval:
    """Mean of session means, with the interval that holds the true mean.

    Parameters
    ----------
    values: one for each session, 1-D array of at least 2.
    confidence: level, between 0 and 1, both excluded.

    Returns
    -------
    MeanInterval in the unit of the values.

    Raises
    ------
    ValueError: fewer than 2 values, or a value is not finite.

    Examples
    --------
    >>> interval = mean_interval([1.0, 2.0, 3.0])
    >>> round(interval.lower, 3), round(interval.upper, 3)
    (-0.484, 4.484)
    """
    sample = _sample("values", values)
    deviation = float(sample.std(ddof=1))
    half = _student(confidence, sample.size - 1) * deviation / math.sqrt(sample.size)
    mean = float(sample.mean())
    return MeanInterval(mean, mean - half, mean + half, deviation, int(sample.size))


def _student(confidence: float, freedom: float) -> float:
    """Two-sided quantile of Student's t, by the special function: a distribution object takes ten times as long."""
    from scipy import special

    return float(special.stdtrit(freedom, 0.5 + confidence / 2))


def _sample(name: str, values: Any) -> Any:
    sample = np.atleast_1d(np.asarray(values, dtype=np.float64))
    if sample.ndim != 1 or sample.size < 2:
        raise ValueError(f"{name} needs at least 2 session means, got {sample.size}")
    return sample


class Difference(NamedTuple):
    """Mean of a less mean of b, with its interval."""

    difference: float
    lower: float
    upper: float
    statistic: float
    degrees_of_freedom: float
    p_value: float


@kernel(
    title="Difference of two means",
    formula="(ā − b̄) ± t(ν) · √(s_a²/n_a + s_b²/n_b)",
    source=f"{HANDBOOK}, 1.3.5.3 (Welch's unequal-variance test; ν by Welch–Satterthwaite).",
    a=any_real(),
    b=any_real(),
    confidence=CONFIDENCE,
)
def welch(a: Numbers, b: Numbers, confidence: float = 0.95) -> Difference:
    """Do two groups differ? Their spreads need not be equal.

    Parameters
    ----------
    a, b: one mean for each session, 1-D arrays of at least 2, not both without any spread.
    confidence: level of the interval, between 0 and 1, both excluded.

    Returns
    -------
    Difference: mean of a less mean of b, with limits, t, ν and two-sided p.

    Raises
    ------
    ValueError: fewer than 2 values, a value is not finite, or neither group has any spread.

    Examples
    --------
    >>> result = welch([27.5, 21.0, 19.0, 23.6], [27.1, 22.0, 20.8, 23.4])
    >>> round(result.difference, 3), result.lower < 0 < result.upper
    (-0.55, True)
    """
    from scipy import special

    first, second = _sample("a", a), _sample("b", b)
    shares = np.array([first.var(ddof=1) / first.size, second.var(ddof=1) / second.size])
    variance = float(shares.sum())
    if variance == 0:
        raise ValueError("a and b have no spread at all, so chance cannot be judged; were they measured independently?")
    # As shares of one, the squares cannot vanish however small the spread is.
    parts = shares / variance
    freedom = 1.0 / float(parts[0] ** 2 / (first.size - 1) + parts[1] ** 2 / (second.size - 1))
    difference = float(first.mean() - second.mean())
    error = math.sqrt(variance)
    half = _student(confidence, freedom) * error
    statistic = difference / error
    p_value = 2 * float(special.stdtr(freedom, -abs(statistic)))
    return Difference(difference, difference - half, difference + half, statistic, freedom, p_value)


@kernel(
    title="Sessions needed to tell a difference, roughly",
    formula="n ≈ 2 (z(1−α/2) + z(power))² σ²/δ²",
    source=f"{HANDBOOK}, 7.2.2.2 (normal approximation, σ known), for two groups.",
    difference=positive(),
    standard_deviation=positive(),
    confidence=CONFIDENCE,
    power=CONFIDENCE,
)
def sessions_needed_roughly(
    difference: float, standard_deviation: float, confidence: float = 0.95, power: float = 0.8
) -> int:
    """A quick count; with confidence and power as high as tests have, never above `sessions_needed`.

    The exact count does not take the spread as known, and is a little higher.

    Parameters
    ----------
    difference, standard_deviation, confidence, power: as in `sessions_needed`.

    Returns
    -------
    Sessions in each group, at most 1,000,000.

    Raises
    ------
    ValueError: an argument is out of range.

    Examples
    --------
    >>> sessions_needed_roughly(difference=1.0, standard_deviation=1.0)
    16
    """
    from scipy import special

    together = float(special.ndtri(0.5 + confidence / 2) + special.ndtri(power))
    return min(1_000_000, max(1, math.ceil(2 * (max(together, 0.0) * standard_deviation / difference) ** 2)))


@kernel(
    title="Sessions needed to tell a difference",
    formula="smallest n with P(|t′(2n−2, δ√(n/2)/σ)| > t(2n−2)) ≥ power",
    source=f"{HANDBOOK}, 7.2.2.2, with the noncentral t instead of the normal approximation.",
    difference=positive(),
    standard_deviation=positive(),
    confidence=CONFIDENCE,
    power=CONFIDENCE,
)
def sessions_needed(difference: float, standard_deviation: float, confidence: float = 0.95, power: float = 0.8) -> int:
    """How many sessions of each revision are needed to tell a given difference.

    Parameters
    ----------
    difference: the smallest difference worth knowing, above 0.
    standard_deviation: from session to session, in the same unit, above 0.
    confidence: two-sided level of the test, between 0 and 1, both excluded.
    power: chance to see a difference of that size, between 0 and 1, both excluded.

    Returns
    -------
    Sessions in each group, at least 2. Above 10,000 the answer is 10,000: then no season is enough.

    Raises
    ------
    ValueError: an argument is out of range.

    Examples
    --------
    >>> sessions_needed(difference=1.0, standard_deviation=1.0)
    17
    """

    def enough(count: int) -> bool:
        return _power(difference / standard_deviation, count, confidence) >= power

    if not enough(10_000):
        return 10_000
    # The normal approximation is rarely more than two off, and the exact answer is near it.
    near = min(max(sessions_needed_roughly(difference, standard_deviation, confidence, power), 3), 9_990)
    low, step = near - 1, 2
    while low > 1 and enough(low):
        low, step = max(1, low - step), 2 * step
    high, step = max(low + 1, near + 2), 2
    while not enough(high):
        low, high, step = high, min(high + step, 10_000), 2 * step
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def _power(effect: float, count: int, confidence: float) -> float:
    from scipy import special

    freedom = 2 * count - 2
    critical = _student(confidence, freedom)
    shift = effect * math.sqrt(count / 2)
    if shift > 30:  # far beyond doubt, and beyond what the noncentral t computes
        return 1.0
    return float(1 - special.nctdtr(freedom, shift, critical) + special.nctdtr(freedom, shift, -critical))


class Adjusted(NamedTuple):
    """Difference of two groups at the same value of a covariate."""

    difference: float
    lower: float
    upper: float
    slope: float
    p_value: float


@kernel(
    title="Difference adjusted for one covariate",
    formula="y = m + d·[group a] + k·x  (least squares)",
    source="Analysis of covariance with a common slope; Montgomery, Design and Analysis of Experiments, ch. 15 "
    "(from memory for the chapter).",
    a=any_real(),
    a_covariate=any_real(),
    b=any_real(),
    b_covariate=any_real(),
    confidence=CONFIDENCE,
)
def adjusted_difference(
    a: Numbers, a_covariate: Numbers, b: Numbers, b_covariate: Numbers, confidence: float = 0.95
) -> Adjusted:
    """Mean of a less mean of b, as if both had been ridden at the same temperature, say.

    It takes for granted that the measure changes in a straight line with the covariate, by the same slope for both;
    that their values of the covariate overlap; that what is left over scatters evenly and independently from session
    to session; and that the change of the build did not itself change the covariate.

    Parameters
    ----------
    a, b: one mean for each session, 1-D arrays of at least 2; at least 4 together.
    a_covariate, b_covariate: the covariate of each session, same lengths, not all equal.
    confidence: level of the interval, between 0 and 1, both excluded.

    Returns
    -------
    Adjusted: difference with limits, slope of the measure over the covariate, two-sided p.

    Raises
    ------
    ValueError: too few values, lengths differ, the covariate tells the groups apart completely or
        does not vary, or nothing is left over to judge by.

    Examples
    --------
    >>> result = adjusted_difference([5.0, 6.1, 6.9], [1.0, 2.0, 3.0], [1.0, 2.1, 2.9], [1.0, 2.0, 3.0])
    >>> round(result.difference, 6), round(result.slope, 6)
    (4.0, 0.95)
    """
    from scipy import special

    first, second = _sample("a", a), _sample("b", b)
    first_x, second_x = np.atleast_1d(a_covariate), np.atleast_1d(b_covariate)
    if first.shape != first_x.shape or second.shape != second_x.shape:
        raise ValueError("a_covariate and b_covariate must be as long as a and b")
    values = np.concatenate([first, second])
    covariate = np.concatenate([first_x, second_x])
    group = np.concatenate([np.ones(first.size), np.zeros(second.size)])
    design = np.column_stack([np.ones(values.size), group, covariate - covariate.mean()])
    freedom = values.size - 3
    if freedom < 1:
        raise ValueError(f"a and b need at least 4 session means together, got {values.size}")
    if np.linalg.matrix_rank(design) < 3:
        raise ValueError(
            "a_covariate and b_covariate must vary within the groups, or they cannot be told from the change"
        )
    solution, *_ = np.linalg.lstsq(design, values, rcond=None)
    residual = values - design @ solution
    variance = float(residual @ residual) / freedom
    if variance == 0:
        raise ValueError("a and b leave no scatter about the lines, so chance cannot be judged")
    error = math.sqrt(variance * float(np.linalg.inv(design.T @ design)[1, 1]))
    difference = float(solution[1])
    half = float(special.stdtrit(freedom, 0.5 + confidence / 2)) * error
    p_value = 2 * float(special.stdtr(freedom, -abs(difference / error)))
    return Adjusted(difference, difference - half, difference + half, float(solution[2]), p_value)
