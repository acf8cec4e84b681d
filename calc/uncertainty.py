"""Combining what is not known exactly (JCGM 100:2008, the GUM)."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from calc.declaration import Number, kernel, not_negative, plain, strictly_between

GUM = "JCGM 100:2008"


@kernel(
    title="Combined standard uncertainty",
    formula="u_c = √(Σ uᵢ²)",
    source=f"{GUM}, 5.1.2 (uncorrelated contributions, each already in the unit of the result).",
    u=not_negative(),
)
def combined_u(u: Number) -> Any:
    """Combine uncorrelated contributions in quadrature.

    Parameters
    ----------
    u: contributions along the last axis, array, each 0 or more, all in the result's unit.

    Returns
    -------
    Combined standard uncertainty, the array without its last axis.

    Raises
    ------
    ValueError: a contribution is negative, not finite or not a number.

    Examples
    --------
    >>> combined_u([3.0, 4.0])
    5.0
    """
    return plain(np.sqrt(np.sum(np.square(u), axis=-1)))


@kernel(
    title="Standard uncertainty of a value known to lie within limits",
    formula="u = a / √3",
    source=f"{GUM}, 4.3.7 (rectangular distribution of half-width a).",
    half_width=not_negative(),
)
def rectangular_u(half_width: Number) -> Any:
    """Anywhere between two limits with equal chance, such as a rounded display.

    Parameters
    ----------
    half_width: half the distance between the limits, float or array, 0 or more.

    Returns
    -------
    Standard uncertainty in the unit of the half-width.

    Raises
    ------
    ValueError: the half-width is negative, not finite or not a number.

    Examples
    --------
    >>> round(rectangular_u(4.0), 4)
    2.3094
    """
    return half_width / math.sqrt(3.0)


@kernel(
    title="Standard uncertainty of a value most likely in the middle of its limits",
    formula="u = a / √6",
    source=f"{GUM}, 4.3.9 (triangular distribution of half-width a).",
    half_width=not_negative(),
)
def triangular_u(half_width: Number) -> Any:
    """Between two limits, with the middle most likely.

    Parameters
    ----------
    half_width: half the distance between the limits, float or array, 0 or more.

    Returns
    -------
    Standard uncertainty in the unit of the half-width.

    Raises
    ------
    ValueError: the half-width is negative, not finite or not a number.

    Examples
    --------
    >>> round(triangular_u(1.0), 5)
    0.40825
    """
    return half_width / math.sqrt(6.0)


@kernel(
    title="Effective degrees of freedom",
    formula="ν = u_c⁴ / Σ (uᵢ⁴ / νᵢ)",
    source=f"{GUM}, G.4.1 (Welch–Satterthwaite).",
    u=not_negative(),
)
def effective_degrees_of_freedom(u: Number, dof: Any) -> float:
    """Degrees of freedom of a combined uncertainty.

    Uses the unrounded combined uncertainty: a rounded one gives another answer.

    Parameters
    ----------
    u: contributions, 1-D array, each 0 or more, at least one above 0.
    dof: degrees of freedom of each, same length, above 0; infinity where a contribution is
        taken as exactly known.

    Returns
    -------
    Effective degrees of freedom, not truncated; infinity if every contribution has infinitely many.

    Raises
    ------
    ValueError: lengths differ, all contributions are 0, or a degree of freedom is not above 0.

    Examples
    --------
    >>> effective_degrees_of_freedom(u=[1, 1, 1, 1], dof=[10, 10, 10, 10])
    40.0
    """
    contributions = np.atleast_1d(np.asarray(u, dtype=np.float64))
    freedoms = np.atleast_1d(np.asarray(dof, dtype=np.float64))
    if contributions.shape != freedoms.shape:
        raise ValueError(f"dof must be as long as u ({contributions.size}), got {freedoms.size} values")
    if np.isnan(freedoms).any() or (freedoms <= 0).any():
        raise ValueError(f"dof must be above 0, got {dof}")
    if not contributions.any():
        raise ValueError("u must hold a contribution above 0, got only zeros")
    spread = float(np.sum(contributions**4 / freedoms))
    return math.inf if spread == 0 else float(np.sum(contributions**2) ** 2) / spread


@kernel(
    title="Expanded uncertainty",
    formula="U = t(ν, p) · u",
    source=f"{GUM}, G.3.2 and table G.2 (Student's t; the normal factor for infinite ν).",
    u=not_negative(),
    confidence=strictly_between(0.0, 1.0),
)
def expanded(u: Number, dof: Any, confidence: float = 0.95) -> Any:
    """Half-width of the interval that holds the value with the given confidence.

    Parameters
    ----------
    u: combined standard uncertainty, float or array, 0 or more.
    dof: effective degrees of freedom, float or array, above 0; infinity allowed.
    confidence: level, between 0 and 1, both excluded.

    Returns
    -------
    Expanded uncertainty in the unit of u.

    Raises
    ------
    ValueError: an argument is out of range.

    Examples
    --------
    >>> round(expanded(u=1.0, dof=16, confidence=0.99), 2)
    2.92
    """
    from scipy import special

    freedoms = np.asarray(dof, dtype=np.float64)
    if np.isnan(freedoms).any() or (freedoms <= 0).any():
        raise ValueError(f"dof must be above 0, got {dof}")
    tail = 0.5 + confidence / 2
    factor = np.where(np.isinf(freedoms), special.ndtri(tail), special.stdtrit(np.minimum(freedoms, 1e9), tail))
    return plain(np.asarray(u) * factor)


@kernel(
    title="Standard uncertainty widened for few readings",
    formula="u′ = u · t(ν, 95 %) / t(∞, 95 %)",
    source=f"JCGM 101:2008, 6.4.9 (few readings tell of a mean as Student's t does); {GUM}, table G.2.",
    u=not_negative(),
)
def widened_u(u: Number, dof: Any) -> Any:
    """The standard uncertainty of few readings, widened so that twice it covers 95 %.

    Widened at its source it may be combined with others as they are. The t factor of the combined
    uncertainty's effective degrees of freedom (Welch–Satterthwaite) says too little for one or two: with
    two readings beside an equal doubt that is known, 83 % of JCGM 101's draws instead of 95.

    Parameters
    ----------
    u: standard uncertainty of a mean, from the scatter of its own readings, float or array, 0 or more.
    dof: its degrees of freedom, one less than there were readings, float or array, above 0; infinity allowed.

    Returns
    -------
    The widened uncertainty in the unit of u; u itself for infinitely many degrees of freedom.

    Raises
    ------
    ValueError: an argument is out of range.

    Examples
    --------
    >>> round(widened_u(u=1.0, dof=1.0), 2)
    6.48
    """
    return plain(np.asarray(expanded(u, dof)) / expanded(1.0, math.inf))
