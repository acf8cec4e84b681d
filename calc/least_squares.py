"""Fitting polynomials and road loads by least squares, with the standard error of each coefficient."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from calc.declaration import Number, Range, any_real, kernel, not_negative, positive

SAE = "SAE J1263 (road load measurement by coast-down); 40 CFR 1066.210 for A, B, C"
EFFICIENCY = Range(0.0, 1.0, includes_low=False)


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
    fit = fit_columns(np.column_stack([(x / scale) ** power for power in powers]), y, name)
    factors = np.array([scale**power for power in powers])
    return fit._replace(coefficients=fit.coefficients / factors, standard_errors=fit.standard_errors / factors)


def fit_columns(design: Any, y: Any, name: str) -> Polynomial:
    """Fit y by the columns of a design matrix, one of them constant; `name` as in `fit_powers`."""
    triangle = Triangle(design.shape[1])
    triangle.add(np.column_stack([design, y]))
    return triangle.fit(name)


STACK_ROWS = 512


class Triangle:
    """A least-squares fit whose points come in blocks, of which only a small triangle is kept.

    The triangle R of the QR factors of [design | y] holds all that a fit needs: its columns have the lengths and
    angles of the design's, its last corner is the length of the residual. R of a block below the R so far is the R of
    all rows (tall and skinny QR: Demmel, Grigori, Hoemmen and Langou, SIAM J. Sci. Comput. 34 (2012) A206-A239, from
    memory for the pages). Unlike normal equations, it loses no digits.

    Examples
    --------
    >>> line = Triangle(2)
    >>> line.add(np.array([[1.0, 0.0, 1.0], [1.0, 1.0, 3.0]]))
    >>> line.add(np.array([[1.0, 2.0, 5.0], [1.0, 3.0, 7.0]]))
    >>> line.fit("x").coefficients.round(6).tolist()
    [1.0, 2.0]
    """

    def __init__(self, columns: int) -> None:
        self.points = 0
        self._r: Any = np.empty((0, columns + 1))
        self._largest = np.zeros(columns)
        self._mean_y = self._total = 0.0

    def add(self, rows: Any) -> None:
        """Take in rows of [design | y], of shape (points, columns + 1); finite numbers."""
        points, width = rows.shape
        if not points:
            return
        largest = np.maximum(rows.max(axis=0), -rows.min(axis=0))[:-1]
        self._largest = np.maximum(self._largest, largest)
        # The spread about the mean of two groups taken together: Chan, Golub and LeVeque, The American Statistician
        # 37 (1983) 242-247 (from memory).
        mean_y, so_far = float(rows[:, -1].mean()), self.points
        step, self.points = mean_y - self._mean_y, so_far + points
        self._total += float(np.sum((rows[:, -1] - mean_y) ** 2)) + step**2 * so_far * points / self.points
        self._mean_y += step * points / self.points
        # Many short stacks at once are three times as fast as one long one.
        whole = points // STACK_ROWS * STACK_ROWS
        if whole:
            stacks: Any = np.linalg.qr(rows[:whole].reshape(-1, STACK_ROWS, width), mode="r")
            rows = np.vstack([stacks.reshape(-1, width), rows[whole:]])
        self._r = np.linalg.qr(np.vstack([self._r, rows]), mode="r")

    def fit(self, name: str, columns: int | None = None) -> Polynomial:
        """The fit by the first so many columns, or by all of them; `name` as in `fit_powers`."""
        columns = self._largest.size if columns is None else columns
        if self.points <= columns:
            raise ValueError(f"{name} needs more than {columns} points, got {self.points}")
        sizes = np.where(self._largest[:columns] > 0, self._largest[:columns], 1.0)
        chosen = np.column_stack([self._r[:, :columns] / sizes, self._r[:, -1]])
        whole: Any = np.linalg.qr(chosen, mode="r")
        corner, r, projected = whole[columns:, columns], whole[:columns, :columns], whole[:columns, columns]
        singular = np.linalg.svd(r, compute_uv=False)
        # The tolerance of numpy.linalg.matrix_rank for the whole design.
        if singular[-1] <= singular[0] * max(self.points, columns) * np.finfo(np.float64).eps:
            raise ValueError(f"{name} needs more than {columns - 1} different values")
        squares = float(corner @ corner)
        deviation = float(np.sqrt(squares / (self.points - columns)))
        errors = deviation * np.sqrt(np.sum(np.linalg.inv(r) ** 2, axis=1))
        explained = 1.0 - squares / self._total if self._total else 1.0
        return Polynomial(np.linalg.solve(r, projected) / sizes, errors / sizes, deviation, explained)


class RoadLoad(NamedTuple):
    """A road load with the standard errors of its parts."""

    a_n: float
    b_n_per_mps: float
    c_n_per_mps2: float
    u_a_n: float
    u_b_n_per_mps: float
    u_c_n_per_mps2: float


def _road_load(coefficients: Any, standard_errors: Any, powers: tuple[int, ...]) -> RoadLoad:
    values = dict(zip(powers, coefficients.tolist(), strict=True))
    errors = dict(zip(powers, standard_errors.tolist(), strict=True))
    return RoadLoad(*(values.get(power, 0.0) for power in range(3)), *(errors.get(power, 0.0) for power in range(3)))


@kernel(
    title="Road load from steady speeds",
    formula="η P / v = A + B v + C v²  (least squares)",
    source=f"{SAE}; efficiency η of motor and drivetrain assumed, common practice, no source.",
    speed_mps=positive(),
    power_w=not_negative(),
    efficiency=EFFICIENCY,
)
def fit_steady_speed(speed_mps: Number, power_w: Number, efficiency: float = 0.8, linear: bool = False) -> RoadLoad:
    """Road load from battery power at several steady speeds.

    Parameters
    ----------
    speed_mps: steady speeds, 1-D array of at least 3 different (4 with the linear part) [m/s], above 0.
    power_w: battery power at each, same length [W], 0 or more.
    efficiency: share of it that reaches the ground, above 0, at most 1.
    linear: fit B too.

    Returns
    -------
    RoadLoad with standard errors; an error of the efficiency is not in them.

    Raises
    ------
    ValueError: too few points, lengths differ, or an argument is out of range.

    Examples
    --------
    >>> load = fit_steady_speed([5.0, 10.0, 15.0], [300.0, 900.0, 2100.0], efficiency=0.8)
    >>> round(load.a_n, 1), round(load.c_n_per_mps2, 3)
    (40.0, 0.32)
    """
    speeds, powers_w = np.atleast_1d(speed_mps), np.atleast_1d(power_w)
    if speeds.shape != powers_w.shape:
        raise ValueError(f"power_w must be as long as speed_mps ({speeds.size}), got {powers_w.size} values")
    powers = (0, 1, 2) if linear else (0, 2)
    fit = fit_powers(speeds, efficiency * powers_w / speeds, powers, "speed_mps")
    return _road_load(fit.coefficients, fit.standard_errors, powers)


class Lines(NamedTuple):
    """One straight line for each group; NaN where its points do not settle it."""

    slope: Any
    u_slope: Any
    intercept: Any


def lines_by_group(x: Any, y: Any, group: Any, groups: int) -> Lines:
    """Straight lines y = intercept + slope·x through each group's points, all groups at once.

    Parameters
    ----------
    x, y: finite points, 1-D arrays of one length.
    group: which group each point belongs to, 0 to groups − 1.
    groups: how many there are.

    Returns
    -------
    Lines, NaN for a group with fewer than 3 points or with one x only. NIST/SEMATECH e-Handbook of
    Statistical Methods, 4.1.4.1.

    Examples
    --------
    >>> lines = lines_by_group([0.0, 1.0, 2.0, 5.0], [1.0, 3.0, 5.0, 9.0], [0, 0, 0, 1], 2)
    >>> lines.slope.tolist(), lines.intercept.tolist()
    ([2.0, nan], [1.0, nan])
    """
    x, y, group = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64), np.asarray(group, dtype=np.intp)

    def total(values: Any) -> Any:
        return np.bincount(group, weights=values, minlength=groups)

    count = np.bincount(group, minlength=groups)
    settled = count >= 3
    divisor = np.where(settled, count, 1)
    mean_x, mean_y = total(x) / divisor, total(y) / divisor
    off_x, off_y = x - mean_x[group], y - mean_y[group]
    spread = total(off_x**2)
    settled &= spread > 0
    slope = np.where(settled, total(off_x * off_y) / np.where(settled, spread, 1.0), np.nan)
    residual = np.where(settled[group], off_y - slope[group] * off_x, 0.0)
    variance = total(residual**2) / np.where(settled, count - 2, 1)
    u_slope = np.where(settled, np.sqrt(variance / np.where(settled, spread, 1.0)), np.nan)
    return Lines(slope, u_slope, mean_y - slope * mean_x)
