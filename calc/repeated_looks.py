"""Looking at the same question again and again: bounds that keep its error however often one looks.

The test statistic at growing information is a Brownian motion divided by the root of time. The bounds
follow from integrating its density from one look to the next, without the part that crossed before.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calc.declaration import Number, kernel, positive, strictly_between

WIDEST_Z = 9.0
"""Paths beyond this many standard deviations are left out of the integral: 1e-19 of all."""
HIGHEST_Z = 38.0
"""The normal tail is 0 in double precision from here on."""
GAUSS_NODES, GAUSS_WEIGHTS = np.polynomial.legendre.leggauss(8)


@kernel(
    title="Bounds for repeated looks",
    formula="α(t) = 4 − 4 Φ(z(1−α/4) / √t);  P(|Z(k)| ≥ z(k) for the first time at look k) = α(t(k)) − α(t(k−1))",
    source="Lan and DeMets, Discrete sequential boundaries for clinical trials, Biometrika 70 (1983) 659–663, with the "
    "spending function of O'Brien–Fleming type; recursion of Armitage, McPherson and Rowe, J. R. Stat. Soc. A 132 "
    "(1969) 235–244.",
    information=positive(),
    alpha=strictly_between(0.0, 1.0),
)
def spending_bounds(information: Number, alpha: float) -> Any:
    """How far from zero the statistic must lie at each look, so that all looks together err with alpha.

    Two-sided alpha is spent as twice a one-sided alpha/2.

    Parameters
    ----------
    information: at each look, as shares of the planned, growing, 1-D array of at least 1, above 0.
    alpha: two-sided error of all looks together, between 0 and 1, both excluded.

    Returns
    -------
    One z for each look. Where the plan is reached (1) all is spent: looks after that get infinity.

    Raises
    ------
    ValueError: the information does not grow, or an argument is out of range.

    Examples
    --------
    >>> spending_bounds([0.2, 0.4, 0.6, 0.8, 1.0], 0.05).round(3).tolist()
    [4.877, 3.357, 2.68, 2.29, 2.031]
    """
    shares = np.atleast_1d(np.asarray(information, dtype=np.float64))
    return bounds_that_spend(shares, error_spent(shares, alpha))


def error_spent(information: Any, alpha: float) -> NDArray[np.float64]:
    """Two-sided error that may be used up until each share of the planned information (O'Brien–Fleming type)."""
    from scipy import special

    z = -special.ndtri(alpha / 4)
    spent: NDArray[np.float64] = 4 * special.ndtr(-z / np.sqrt(np.minimum(information, 1.0)))
    return spent


def bounds_that_spend(information: Any, spent: Any) -> NDArray[np.float64]:
    """One z for each look, so that the error used up until it is what `spent` says.

    Parameters
    ----------
    information: at each look, in any unit, growing, 1-D array.
    spent: two-sided error used up until each look, not falling, same length.

    Returns
    -------
    Bounds; infinity at a look that spends nothing.

    Raises
    ------
    ValueError: the information does not grow, or the error falls.

    Examples
    --------
    >>> bounds_that_spend([1.0, 2.0], [0.0, 0.05]).round(4).tolist()
    [inf, 1.96]
    """
    shares, errors = np.atleast_1d(information), np.atleast_1d(spent)
    if shares.ndim != 1 or (np.diff(shares) <= 0).any() or shares.size == 0:
        raise ValueError(f"information must grow from look to look, got {shares.tolist()}")
    if shares.shape != errors.shape or (np.diff(errors) < 0).any():
        raise ValueError(f"the error spent must not fall, one for each look, got {errors.tolist()}")
    return np.array(_last_look(tuple(shares.tolist()), tuple(errors.tolist()))[0])


@lru_cache(maxsize=1024)
def _last_look(
    information: tuple[float, ...], spent: tuple[float, ...]
) -> tuple[tuple[float, ...], NDArray[np.float64], NDArray[np.float64]]:
    """Bounds, and the density over the paths that are still within: places and their weights.

    Each look goes on from the one before, which the cache holds.
    """
    from scipy import optimize, special

    time = information[-1]
    if len(information) == 1:
        earlier: tuple[float, ...] = ()
        spends, step = spent[0], time
        places, weights = np.zeros(1), np.ones(1)
    else:
        earlier, places, weights = _last_look(information[:-1], spent[:-1])
        spends, step = spent[-1] - spent[-2], time - information[-2]

    def crossing(z: float) -> float:
        edge = z * math.sqrt(time)
        tails = special.ndtr((places - edge) / math.sqrt(step)) + special.ndtr((-places - edge) / math.sqrt(step))
        return float(weights @ tails) - spends

    bound = math.inf
    if spends > 0 and crossing(HIGHEST_Z) < 0:
        bound = float(optimize.brentq(crossing, 0.0, HIGHEST_Z, xtol=1e-12))
    half = min(bound, WIDEST_Z) * math.sqrt(time)
    # Panels no wider than what blurs from one look to the next; Gauss's rule in each.
    panels = max(8, math.ceil(half / math.sqrt(step)))
    edges = np.linspace(-half, half, panels + 1)
    middles, width = (edges[1:] + edges[:-1]) / 2, half / panels
    reached = (middles[:, None] + width * GAUSS_NODES).ravel()
    normal = np.exp(-((reached[:, None] - places) ** 2) / (2 * step)) / math.sqrt(2 * math.pi * step)
    return (*earlier, bound), reached, width * np.tile(GAUSS_WEIGHTS, panels) * (normal @ weights)
