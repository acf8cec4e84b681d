"""Does a machine fail more or less often as it gets older, asked again after every outing?

A test that is read after each failure finds a trend sooner or later, also where there is none. This one
may be read as often as one likes: the likelihoods of all trends, averaged, exceed that of the true one
by a factor of 1/α with a chance of at most α, at whichever look that is.
"""

from __future__ import annotations

import math

import numpy as np

from calc.declaration import Numbers, kernel, positive, strictly_between
from calc.reliability import Interval

_PRIOR = 1.0
"""Shape and rate of the gamma distribution of trends, around a steady rate: one failure's worth."""


@kernel(
    title="Trend of the failure rate, however often one looks",
    formula="β with ∫ b^m e^(−bS) g(b) db < β^m e^(−βS) / α;  S = Σ ln(T/tᵢ), m = n − 1",
    source="Ville, Étude critique de la notion de collectif (1939); Robbins, Statistical methods related to the law of "
    "the iterated logarithm, Ann. Math. Statist. 41 (1970) 1397–1409, with the power-law process of Crow, AMSAA "
    "Technical Report 138 (1975).",
    times=positive(),
    end=positive(),
    confidence=strictly_between(0.0, 1.0),
)
def shape_at_any_look(times: Numbers, end: float, confidence: float = 0.95) -> Interval:
    """Shape of the power law that the failures follow, with limits that hold at all looks together.

    Below 1 the machine fails less often as it gets older, above 1 more often.

    Parameters
    ----------
    times: exposure at each failure since the beginning, not falling, 1-D array of at least 2, above 0.
    end: exposure up to which failures were counted, at or after the last.
    confidence: that the limits hold at every look, between 0 and 1, both excluded.

    Returns
    -------
    Interval of the shape.

    Raises
    ------
    ValueError: fewer than 2 failures, times fall or pass the end, or an argument is out of range.

    Examples
    --------
    >>> shape = shape_at_any_look([5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478], end=1500)
    >>> [round(value, 3) for value in shape]
    [0.484, 0.148, 1.132]
    """
    from scipy import special

    ordered = np.atleast_1d(np.asarray(times, dtype=np.float64))
    if ordered.size < 2:
        raise ValueError(f"times needs at least 2 failures, got {ordered.size}")
    if (np.diff(ordered) < 0).any():
        raise ValueError("times must not fall: give each failure's exposure since the beginning, in order")
    if ordered[-1] > end:
        raise ValueError(f"end must be at or after the last failure ({ordered[-1]:g}), got {end:g}")
    logs = float(np.log(end / ordered).sum())
    if logs == 0:
        raise ValueError("times must hold failures before the end, got only failures at the end")
    # Given the first failure, i·ln(t(i+1)/t(i)) are independent exponentials of rate β.
    count = ordered.size - 1
    mixture = (
        special.gammaln(_PRIOR + count)
        - special.gammaln(_PRIOR)
        + _PRIOR * math.log(_PRIOR)
        - (_PRIOR + count) * math.log(_PRIOR + logs)
    )
    margin = -math.log1p(-confidence) - float(mixture)
    # The two solutions of β·S − m·ln β = margin.
    place = -logs / count * math.exp(-margin / count)
    lower, upper = (-count / logs * float(np.real(special.lambertw(place, branch))) for branch in (0, -1))
    return Interval(count / logs, lower, upper)
