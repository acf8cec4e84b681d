"""Rates of several failure modes of one machine, compared with each other.

A mode that came once in a short season has a rate that is hardly known. Held against the other modes of
the machine it is likely to be nearer to theirs: the rates are taken as drawn from one gamma distribution,
which the counts of all modes fit. This serves to rank modes; it never lowers a limit.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from calc.declaration import Numbers, kernel, not_negative, positive, strictly_between

SOURCE = (
    "Gaver and O'Muircheartaigh, Robust empirical Bayes analyses of event rates, Technometrics 29 (1987) 1–15: "
    "gamma prior fitted by the marginal (negative binomial) likelihood."
)
_WIDEST, _NARROWEST = 1e-3, 1e6
"""Shapes between which the prior is looked for; above, the rates cannot be told apart."""


class Prior(NamedTuple):
    """The gamma distribution of the rates. `shape` is None where the counts do not tell the rates apart."""

    mean: float
    shape: float | None


def rate_prior(counts: Any, exposures: Any) -> Prior:
    """The gamma distribution that makes the counts most likely.

    Parameters
    ----------
    counts: failures of each mode, whole numbers, 1-D array.
    exposures: of each, in one unit, above 0, same length.

    Examples
    --------
    >>> prior = rate_prior([5, 1, 5, 14, 3, 19, 1, 1, 4, 22],
    ...                    [94.3, 15.7, 62.9, 126, 5.24, 31.4, 1.05, 1.05, 2.1, 10.5])
    >>> round(prior.shape, 4), round(prior.shape / prior.mean, 4)
    (0.823, 1.2617)
    """
    from scipy import optimize, special

    count, exposure = np.asarray(counts, dtype=np.float64), np.asarray(exposures, dtype=np.float64)
    pooled = float(count.sum() / exposure.sum())
    if pooled == 0 or count.size < 2:
        return Prior(pooled, None)
    rates = count / exposure
    steepest, shallowest = float(rates.max()), float(rates.min())

    def mean_for(shape: float) -> float:
        """The mean rate that fits best with a certain shape."""

        def slope(mean: float) -> float:
            return float(((count - mean * exposure) / (1.0 + mean * exposure / shape)).sum())

        if steepest == shallowest:
            return pooled
        return float(optimize.brentq(slope, shallowest, steepest))

    def unlikeliness(log_shape: float) -> float:
        shape = float(np.exp(log_shape))
        expected = mean_for(shape) * exposure
        likelihood = special.gammaln(shape + count) - special.gammaln(shape) - shape * np.log1p(expected / shape)
        likelihood += special.xlogy(count, expected / (shape + expected))
        return -float(likelihood.sum())

    bounds = (np.log(_WIDEST), np.log(_NARROWEST))
    best = optimize.minimize_scalar(unlikeliness, bounds=bounds, method="bounded", options={"xatol": 1e-8})
    # A common rate is the limit of a narrow prior: the smaller likelihood is no reason to tell the rates apart.
    if unlikeliness(bounds[1]) <= best.fun + 1e-9:
        return Prior(pooled, None)
    shape = float(np.exp(best.x))
    return Prior(mean_for(shape), shape)


def _checked(counts: Any, exposures: Any) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    count, exposure = np.atleast_1d(counts).astype(np.float64), np.atleast_1d(exposures).astype(np.float64)
    if count.ndim != 1 or count.shape != exposure.shape:
        raise ValueError(f"exposures must hold one value for each count, got {exposure.size} for {count.size}")
    if (count != np.floor(count)).any():
        raise ValueError("counts must be whole numbers")
    return count, exposure


@kernel(
    title="Rates of several failure modes, shrunk towards each other",
    formula="λᵢ = (a + rᵢ) / (b + Tᵢ), a and b by maximum marginal likelihood",
    source=SOURCE,
    counts=not_negative(),
    exposures=positive(),
)
def shrunk_rates(counts: Numbers, exposures: Numbers) -> Any:
    """Rates of several modes, each pulled towards the others as far as its own count leaves it open.

    Parameters
    ----------
    counts: failures of each mode, whole numbers of 0 or more, 1-D array.
    exposures: ridden while each was counted, in one unit, above 0, same length.

    Returns
    -------
    One rate for each mode, per unit of exposure. Where the counts do not tell the rates apart, all get the
    common rate.

    Raises
    ------
    ValueError: the lengths differ, a count is not whole, or an argument is out of range.

    Examples
    --------
    >>> shrunk_rates(counts=[9, 1, 0], exposures=[100.0, 100.0, 100.0]).round(4).tolist()
    [0.0824, 0.0131, 0.0045]
    """
    count, exposure = _checked(counts, exposures)
    mean, shape = rate_prior(count, exposure)
    if shape is None:
        return np.full(count.shape, mean)
    return (shape + count) / (shape / mean + exposure)


@kernel(
    title="Upper limits of rates shrunk towards each other",
    formula="λᵢ ≤ Gamma⁻¹(C; a + rᵢ) / (b + Tᵢ)",
    source=SOURCE,
    counts=not_negative(),
    exposures=positive(),
    confidence=strictly_between(0.0, 1.0),
)
def shrunk_upper_limits(counts: Numbers, exposures: Numbers, confidence: float = 0.95) -> Any:
    """One-sided upper limits of the rates of several modes, by the prior that all of them fit.

    It ranks modes, beside the exact limit of each mode alone; it is never used to call a rate low.

    Parameters
    ----------
    counts, exposures: as in `shrunk_rates`.
    confidence: one-sided, between 0 and 1, both excluded.

    Returns
    -------
    One limit for each mode, per unit of exposure. Where the counts do not tell the rates apart, all get the
    common rate.

    Raises
    ------
    ValueError: as in `shrunk_rates`.

    Examples
    --------
    >>> shrunk_upper_limits(counts=[9, 1, 0], exposures=[100.0, 100.0, 100.0]).round(3).tolist()
    [0.131, 0.034, 0.017]
    """
    from scipy import special

    count, exposure = _checked(counts, exposures)
    mean, shape = rate_prior(count, exposure)
    if shape is None:
        return np.full(count.shape, mean)
    return special.gammaincinv(shape + count, confidence) / (shape / mean + exposure)
