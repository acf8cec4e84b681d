"""How often it breaks, how sure that is, and whether it gets better.

Exposure is distance or hours ridden; failures are counted against it. Confidence limits come from
the chi-square distribution, for failures that come at a steady rate.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from calc.declaration import Number, Numbers, kernel, not_negative, plain, positive, strictly_between
from calc.mode_rates import shrunk_rates
from calc.rate_change import rate_change_p

__all__ = [
    "Interval",
    "PowerLaw",
    "Trend",
    "exposure_between_failures",
    "exposure_to_show",
    "failure_rate",
    "laplace_trend",
    "power_law_fit",
    "rate_change_p",
    "shrunk_rates",
    "zero_failure_bound",
]

HANDBOOK = "NIST/SEMATECH e-Handbook of Statistical Methods"
CONFIDENCE = strictly_between(0.0, 1.0)


class Interval(NamedTuple):
    """An estimate with its two-sided limits. None means that the data set no bound there."""

    estimate: Any
    lower: Any
    upper: Any


def _checked_truncation(truncated: str) -> None:
    if truncated not in ("time", "failure"):
        raise ValueError(f"truncated must be 'time' or 'failure', got {truncated!r}")


def _whole_count(failures: float) -> int:
    if failures != int(failures):
        raise ValueError(f"failures must be a whole number, got {failures:g}")
    return int(failures)


@kernel(
    title="Exposure between failures",
    formula="2T/χ²(1−α/2; 2r+2) … 2T/χ²(α/2; 2r)",
    source=f"{HANDBOOK}, 8.4.5.1 (time-truncated; failure-truncated uses 2r on both sides).",
    exposure=positive(),
    failures=not_negative(),
    confidence=CONFIDENCE,
)
def exposure_between_failures(
    exposure: float, failures: float, confidence: float = 0.9, truncated: str = "time"
) -> Interval:
    """Mean exposure between failures, at a steady rate, with two-sided limits.

    Parameters
    ----------
    exposure: distance or time ridden, in any unit, above 0.
    failures: how many, a whole number, 0 or more.
    confidence: level of the limits, between 0 and 1, both excluded.
    truncated: "time" if counting stopped at a chosen moment, "failure" if it stopped at a failure.

    Returns
    -------
    Interval in the unit of the exposure. Without failures estimate and upper limit are None.

    Raises
    ------
    ValueError: an argument is out of range, failures is not whole, or "failure" with no failure.

    Examples
    --------
    >>> interval = exposure_between_failures(exposure=800.0, failures=2, confidence=0.9)
    >>> interval.estimate, round(interval.lower, 2), round(interval.upper, 2)
    (400.0, 127.07, 2251.23)
    """
    _checked_truncation(truncated)
    count = _whole_count(failures)
    if count == 0 and truncated == "failure":
        raise ValueError("failures must be at least 1 when counting stopped at a failure, got 0")
    tail = (1.0 - confidence) / 2
    freedom = 2 * count + (2 if truncated == "time" else 0)
    lower = 2 * exposure / _chi_square(1 - tail, freedom)
    if count == 0:
        return Interval(None, lower, None)
    return Interval(exposure / count, lower, 2 * exposure / _chi_square(tail, 2 * count))


@kernel(
    title="Failure rate",
    formula="λ = r / T, limits the reciprocals of those of T / r",
    source=f"{HANDBOOK}, 8.4.5.1.",
    exposure=positive(),
    failures=not_negative(),
    confidence=CONFIDENCE,
)
def failure_rate(exposure: float, failures: float, confidence: float = 0.9, truncated: str = "time") -> Interval:
    """Failures for each unit of exposure, with two-sided limits.

    Parameters
    ----------
    exposure, failures, confidence, truncated: as in `exposure_between_failures`. For a rate per
        100 km give the exposure in hundreds of kilometres.

    Returns
    -------
    Interval in one over the unit of the exposure. Without failures estimate and lower limit are 0.

    Raises
    ------
    ValueError: as in `exposure_between_failures`.

    Examples
    --------
    >>> rate = failure_rate(exposure=8.0, failures=2, confidence=0.9)
    >>> rate.estimate, round(rate.lower, 4), round(rate.upper, 4)
    (0.25, 0.0444, 0.787)
    """
    between = exposure_between_failures(exposure, failures, confidence, truncated)
    upper = 1.0 / between.lower
    if between.estimate is None:
        return Interval(0.0, 0.0, upper)
    return Interval(1.0 / between.estimate, 1.0 / between.upper, upper)


@kernel(
    title="What no failure proves",
    formula="θ ≥ T / −ln(1 − p)",
    source=f"{HANDBOOK}, 8.4.5.1, zero failures (one-sided).",
    exposure=positive(),
    confidence=CONFIDENCE,
)
def zero_failure_bound(exposure: Number, confidence: float = 0.9) -> Any:
    """Mean exposure between failures that riding without a failure shows, at least.

    Parameters
    ----------
    exposure: distance or time ridden without a failure, float or array, above 0.
    confidence: one-sided level, between 0 and 1, both excluded.

    Returns
    -------
    Lower bound in the unit of the exposure.

    Raises
    ------
    ValueError: an argument is out of range.

    Examples
    --------
    >>> round(zero_failure_bound(exposure=1000.0, confidence=0.8), 3)
    621.335
    """
    return plain(np.asarray(exposure) / -math.log(1.0 - confidence))


@kernel(
    title="Exposure needed to show a wanted reliability",
    formula="T = θ · χ²(p; 2r+2) / 2",
    source=f"{HANDBOOK}, 8.3.1.1 (fixed-time test plan at a steady rate).",
    wanted=positive(),
    failures=not_negative(),
    confidence=CONFIDENCE,
)
def exposure_to_show(wanted: Number, failures: float = 0, confidence: float = 0.9) -> Any:
    """How far one must ride, with at most so many failures, to show a mean exposure between them.

    Parameters
    ----------
    wanted: mean exposure between failures to be shown, float or array, above 0.
    failures: how many are allowed on the way, a whole number, 0 or more.
    confidence: one-sided level, between 0 and 1, both excluded.

    Returns
    -------
    Exposure in the unit of `wanted`.

    Raises
    ------
    ValueError: an argument is out of range, or failures is not whole.

    Examples
    --------
    >>> round(exposure_to_show(wanted=100.0, failures=1, confidence=0.9), 2)
    388.97
    """
    quantile = _chi_square(confidence, 2 * _whole_count(failures) + 2)
    return plain(np.asarray(wanted) * quantile / 2)


def _chi_square(probability: float, freedom: float) -> float:
    """The quantile of the chi-square distribution, which is twice that of a gamma distribution of half the freedom."""
    from scipy import special

    return 2 * float(special.gammaincinv(freedom / 2, probability))


class PowerLaw(NamedTuple):
    """Power-law growth: expected failures N(t) = scale · t^shape. Shape below 1 is getting better."""

    shape: float
    shape_lower: float
    shape_upper: float
    unbiased_shape: float
    scale: float
    exposure_between_failures_now: float
    unbiased_now: float
    now_lower: float | None
    now_upper: float | None
    cramer_von_mises: float
    critical_value: float
    fits: bool


_CRITICAL_AT_5_PERCENT = (
    (2, 0.175), (3, 0.183), (5, 0.202), (10, 0.213), (15, 0.215), (20, 0.217), (30, 0.218), (60, 0.219),
)  # fmt: skip
"""AMSAA Technical Report 138 (Crow, 1975), table 2, column .05."""


def _failure_times(times: Any, end: float, truncated: str, least: int) -> Any:
    _checked_truncation(truncated)
    ordered = np.atleast_1d(np.asarray(times, dtype=np.float64))
    if ordered.size < least:
        raise ValueError(f"times needs at least {least} failures, got {ordered.size}")
    if (np.diff(ordered) < 0).any():
        raise ValueError("times must not fall: give each failure's exposure since the beginning, in order")
    if ordered[-1] > end:
        raise ValueError(f"end must be at or after the last failure ({ordered[-1]:g}), got {end:g}")
    if truncated == "failure" and ordered[-1] != end:
        raise ValueError(f"end must be the last failure ({ordered[-1]:g}) when counting stopped there, got {end:g}")
    return ordered


@kernel(
    title="Reliability growth by a power law",
    formula="N(t) = λ t^β,  β = n / Σ ln(T/tᵢ)",
    source="L. H. Crow, AMSAA Technical Report 138 (1975): estimates, limits on β, Cramér–von Mises statistic.",
    times=positive(),
    end=positive(),
    confidence=CONFIDENCE,
)
def power_law_fit(times: Numbers, end: float, truncated: str = "time", confidence: float = 0.9) -> PowerLaw:
    """Is the machine getting more reliable? Maximum likelihood of the power-law process.

    Parameters
    ----------
    times: exposure at each failure since the beginning, not falling, 1-D array of at least 3, above 0.
    end: exposure up to which failures were counted, at or after the last.
    truncated: "time" if counting stopped at a chosen moment, "failure" if it stopped at a failure.
    confidence: level of the two-sided limits on the shape.

    Returns
    -------
    PowerLaw. `unbiased_now` is the exposure between failures at the end by the unbiased shape;
    `now_lower` and `now_upper` are its limits at the same confidence (e-Handbook 8.4.5.2). They are
    None for counting that stopped at a failure, for which that source gives none, and the upper one
    where so few failures set no bound. `fits` is false where the Cramér–von Mises statistic exceeds
    its 5 % critical value: then a power law does not describe these failures.

    Raises
    ------
    ValueError: fewer than 3 failures, times fall or pass the end, or an argument is out of range.

    Examples
    --------
    >>> fit = power_law_fit([5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478], end=1500)
    >>> round(fit.shape, 6), round(fit.exposure_between_failures_now, 3)
    (0.537229, 279.211)
    """
    ordered = _failure_times(times, end, truncated, least=3)
    count = ordered.size
    logs = float(np.sum(np.log(end / ordered)))
    if logs == 0:
        raise ValueError("times must hold failures before the end, got only failures at the end")
    shape = count / logs
    by_time = truncated == "time"
    counted = count if by_time else count - 1
    unbiased = (count - 1) / logs if by_time else (count - 2) / logs
    tail = (1.0 - confidence) / 2
    freedom = 2 * counted
    lower = shape * _chi_square(tail, freedom) / (2 * count)
    upper = shape * _chi_square(1 - tail, freedom) / (2 * count)
    used = ordered[:counted]
    ranks = (2 * np.arange(1, counted + 1) - 1) / (2 * counted)
    statistic = 1 / (12 * counted) + float(np.sum(((used / end) ** unbiased - ranks) ** 2))
    sizes, values = zip(*_CRITICAL_AT_5_PERCENT, strict=True)
    critical = float(np.interp(counted, sizes, values))
    scale = count / end**shape
    now = end ** (1 - shape) / (scale * shape)
    unbiased_now = end / (count * unbiased)
    now_lower, now_upper = _limits_now(unbiased_now, count, confidence) if by_time else (None, None)
    return PowerLaw(
        shape,
        lower,
        upper,
        unbiased,
        scale,
        now,
        unbiased_now,
        now_lower,
        now_upper,
        statistic,
        critical,
        statistic <= critical,
    )


def _limits_now(unbiased_now: float, count: int, confidence: float) -> tuple[float, float | None]:
    """Limits of the exposure between failures at the end of a time-truncated count."""
    from scipy import special

    z = float(special.ndtri(0.5 + confidence / 2))
    whole = unbiased_now * count * (count - 1)
    lower = whole / (count + z**2 / 4 + math.sqrt(count * z**2 / 2 + z**4 / 16)) ** 2
    rest = count - z * math.sqrt(count / 2)
    return lower, whole / rest**2 if rest > 0 else None


class Trend(NamedTuple):
    """Laplace's statistic: below 0 failures come earlier than at a steady rate, so it gets better."""

    statistic: float
    p_value: float


@kernel(
    title="Laplace trend test",
    formula="U = (Σ tᵢ − n T/2) / (T √(n/12))",
    source=f"{HANDBOOK}, 8.2.3.4.",
    times=not_negative(),
    end=positive(),
)
def laplace_trend(times: Numbers, end: float, truncated: str = "time") -> Trend:
    """Does the rate of failures change? Against a steady rate.

    Parameters
    ----------
    times: exposure at each failure since the beginning, not falling, 1-D array of at least 2
        ("time") or 3 ("failure").
    end: exposure up to which failures were counted, at or after the last.
    truncated: "time" or "failure"; for "failure" the last one is the end and is not counted.

    Returns
    -------
    Trend: statistic, and its two-sided p-value by the normal distribution.

    Raises
    ------
    ValueError: too few failures, times fall or pass the end, or an argument is out of range.

    Examples
    --------
    >>> trend = laplace_trend([5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478], end=1500)
    >>> round(trend.statistic, 6), round(trend.p_value, 5)
    (-1.326949, 0.18453)
    """
    ordered = _failure_times(times, end, truncated, least=2 if truncated == "time" else 3)
    used = ordered if truncated == "time" else ordered[:-1]
    count = used.size
    statistic = (float(used.sum()) - count * end / 2) / (end * math.sqrt(count / 12))
    return Trend(statistic, math.erfc(abs(statistic) / math.sqrt(2)))
