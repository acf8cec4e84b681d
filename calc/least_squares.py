"""Fitting lines and polynomials by least squares, with the standard error of each coefficient."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from calc.declaration import Number, any_real, kernel


class Polynomial(NamedTuple):
    """Coefficients from the constant upward, with their standard errors."""

    coefficients: Any
    standard_errors: Any
    residual_standard_deviation: float
    r_squared: float


@kernel(
    title="Polynomial fit",
    formula="y = Σ cₖ xᵏ  (least squares)",
    source="Ordinary least squares; NIST Statistical Reference Datasets, linear regression.",
    x=any_real(),
    y=any_real(),
)
def polynomial_fit(x: Number, y: Number, degree: int) -> Polynomial:
    """Fit a polynomial, with the standard error of each coefficient.

    Parameters
    ----------
    x, y: data, 1-D arrays of one length, more points than coefficients.
    degree: 0 to 5.

    Returns
    -------
    Polynomial.

    Raises
    ------
    ValueError: too few points, lengths differ, the degree is out of range, or x has too few
        different values.

    Examples
    --------
    >>> fit = polynomial_fit([0.0, 1.0, 2.0, 3.0], [1.0, 3.1, 4.9, 7.0], degree=1)
    >>> fit.coefficients.round(3).tolist()
    [1.03, 1.98]
    """
    if degree not in range(6):
        raise ValueError(f"degree must be a whole number from 0 to 5, got {degree}")
    return fit_powers(np.atleast_1d(x), np.atleast_1d(y), range(degree + 1), "x")


def fit_powers(x: Any, y: Any, powers: Any, name: str) -> Polynomial:
    """Fit y by the given powers of x; `name` is what x is called in an error."""
    if x.ndim != 1 or x.shape != y.shape or x.size <= len(powers):
        raise ValueError(f"{name} needs more than {len(powers)} points, as many as y, got {x.size} and {y.size}")
    # Scaling to the largest value keeps the columns alike, and with them the digits.
    scale = float(np.max(np.abs(x))) or 1.0
    design = np.column_stack([(x / scale) ** power for power in powers])
    if np.linalg.matrix_rank(design) < design.shape[1]:
        raise ValueError(f"{name} needs more than {len(powers) - 1} different values")
    q, r = np.linalg.qr(design)
    solution = np.linalg.solve(r, q.T @ y)
    residual = y - design @ solution
    deviation = float(np.sqrt(residual @ residual / (x.size - len(powers))))
    inverse = np.linalg.inv(r)
    errors = deviation * np.sqrt(np.sum(inverse**2, axis=1))
    factors = np.array([scale**power for power in powers])
    total = float(np.sum((y - y.mean()) ** 2))
    explained = 1.0 - float(residual @ residual) / total if total else 1.0
    return Polynomial(solution / factors, errors / factors, deviation, explained)
