"""Road load from several coast-downs both ways, in one fit that finds the wind by itself."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from calc.declaration import Number, kernel, not_negative, positive
from calc.least_squares import SAE, fit_columns

FEWEST_RUNS_A_WAY = 2
"""Of either way, so that one can be left out and both ways are still there."""
FEWEST_SAMPLES = 5


class CoastDownFit(NamedTuple):
    """Road load of all runs together: F = A + C v² on level ground without wind.

    wind_mps is the mean wind along the way, above 0 where it blows against the runs out; None where all runs went one
    way, and what a wind does is in A and C. slope_n is the pull downhill against the runs out. u_a_n and u_c_n_per_mps2
    are half of 95 % limits; None where too few runs tell them. left_out has a and c without each run in turn, one row a
    run; empty where there is no uncertainty.
    """

    a_n: float
    c_n_per_mps2: float
    u_a_n: float | None
    u_c_n_per_mps2: float | None
    wind_mps: float | None
    slope_n: float | None
    left_out: Any


@kernel(
    title="Road load from coast-downs both ways",
    formula="v = v₀ᵢ − (A′ t + C ∫v² dt ± D t ± E ∫v dt) / m  (least squares over all runs i);  w = E / 2C;  "
    "A = A′ − C w²;  u: leaving out one run in turn, u² = (n − 1)/n · Σ(θᵢ − θ̄)², times t₀.₉₇₅(n − 2) / 2",
    source=f"{SAE}; the equation of motion integrated, trapezoidal rule. Jackknife: Efron and Tibshirani, "
    "An Introduction to the Bootstrap (1993), 11.2 (from memory). Tried by python -m tests.simulations recordings.",
    time_s=not_negative(),
    speed_mps=not_negative(),
    mass_kg=positive(),
)
def fit_coast_downs(time_s: Number, speed_mps: Number, run: Any, is_back: Any, mass_kg: float) -> CoastDownFit:
    """Road load from all runs of one machine on one stretch, out and back, with B left out.

    A steady wind and a slope have the other sign on the way back: the fit finds both. A linear part B cannot be told
    from A and C on such runs; what there is of it is in these. The first 1 to 2 s after the power is off are to be left
    out: receivers lag, and a lag of 0.8 s that stays in costs 11 % of C.

    Parameters
    ----------
    time_s: sample times, growing within each run, 1-D array [s].
    speed_mps: speed over ground at each, same length [m/s].
    run: which run each sample belongs to, whole numbers from 0, growing; at least 5 samples a run.
    is_back: for each run whether it went back, an array of truths.
    mass_kg: effective mass with rider [kg], above 0.

    Returns
    -------
    CoastDownFit. A part below 0 says that gusts or noise were larger than that part.

    Raises
    ------
    ValueError: too few samples, lengths differ, times do not grow, or the speeds hardly vary.

    Examples
    --------
    >>> time_s = np.tile(np.arange(0.0, 10.0), 2)
    >>> runs = np.repeat([0, 1], 10)
    >>> fit = fit_coast_downs(time_s, 14 - 0.5 * time_s, runs, [False, True], mass_kg=200.0)
    >>> round(fit.a_n, 6), abs(round(fit.c_n_per_mps2, 6)), fit.u_a_n
    (100.0, 0.0, None)
    """
    times, speeds = np.atleast_1d(time_s), np.atleast_1d(speed_mps)
    runs, back = np.atleast_1d(np.asarray(run)), np.atleast_1d(np.asarray(is_back, dtype=bool))
    if not times.shape == speeds.shape == runs.shape or times.ndim != 1:
        raise ValueError(
            f"speed_mps and run must be as long as time_s ({times.size}), got {speeds.size} and {runs.size}"
        )
    parts = [_integrals(times[runs == number], speeds[runs == number], number) for number in range(back.size)]
    if not parts or sum(part.shape[0] for part in parts) != times.size:
        raise ValueError("run must name the runs of is_back, counted from 0")
    whole = _solved(parts, back, mass_kg)
    both = bool(back.any() and not back.all())
    left_out = np.empty((0, 2))
    if min(int(back.sum()), int((~back).sum())) >= FEWEST_RUNS_A_WAY:
        chosen = np.arange(back.size)
        left_out = np.array(
            [_solved([parts[i] for i in chosen if i != gone], np.delete(back, gone), mass_kg)[:2] for gone in chosen]
        )
    a_n, c_n_per_mps2, wind_mps, slope_n = whole
    return CoastDownFit(
        a_n,
        c_n_per_mps2,
        jackknife_u(left_out[:, 0]),
        jackknife_u(left_out[:, 1]),
        wind_mps if both else None,
        slope_n if both else None,
        left_out,
    )


def jackknife_u(values: Any) -> Any:
    """Half of the 95 % limits of a result, from its values without each run in turn; None without any.

    Along the first axis, so that a whole curve has its band.

    Examples
    --------
    >>> jackknife_u(np.array([])) is None
    True
    """
    values = np.asarray(values, dtype=np.float64)
    count = values.shape[0]
    if count < 2 * FEWEST_RUNS_A_WAY:
        return None
    squares = (count - 1) / count * np.sum((values - values.mean(axis=0)) ** 2, axis=0)
    # Loaded here: it takes longer than a start may.
    from scipy.special import stdtrit

    u = np.sqrt(squares) * float(stdtrit(count - 2, 0.975)) / 2.0
    return float(u) if np.ndim(u) == 0 else u


def _integrals(times: Any, speeds: Any, number: int) -> Any:
    """Rows of t, ∫v dt, ∫v² dt and v of one run, from its first sample."""
    if times.size < FEWEST_SAMPLES:
        raise ValueError(f"run {number} needs {FEWEST_SAMPLES} samples or more, got {times.size}")
    if (np.diff(times) <= 0).any():
        raise ValueError("time_s must grow from sample to sample of a run")
    steps = np.diff(times)

    def until(values: Any) -> Any:
        return np.append(0.0, np.cumsum(steps * (values[1:] + values[:-1]) / 2))

    return np.column_stack([times - times[0], until(speeds), until(speeds**2), speeds])


def _solved(parts: list[Any], back: Any, mass_kg: float) -> tuple[float, float, float, float]:
    both = bool(back.any() and not back.all())
    starts = len(parts)
    rows = []
    for number, (part, is_back) in enumerate(zip(parts, back.tolist(), strict=True)):
        block = np.zeros((part.shape[0], starts + (4 if both else 2)))
        block[:, number] = 1.0
        sign = -1.0 if is_back else 1.0
        block[:, starts] = -part[:, 0] / mass_kg
        block[:, starts + 1] = -part[:, 2] / mass_kg
        if both:
            block[:, starts + 2] = -sign * part[:, 0] / mass_kg
            block[:, starts + 3] = -sign * part[:, 1] / mass_kg
        rows.append(block)
    speeds = np.concatenate([part[:, 3] for part in parts])
    coefficients = fit_columns(np.vstack(rows), speeds, "speed_mps").coefficients[starts:]
    a_with_wind, c = float(coefficients[0]), float(coefficients[1])
    if not both:
        return a_with_wind, c, 0.0, 0.0
    slope_n, linear = float(coefficients[2]), float(coefficients[3])
    # Where C is nothing, a wind is nothing that could be told.
    wind_mps = linear / (2 * c) if c > 0 else 0.0
    return a_with_wind - max(c, 0.0) * wind_mps**2, c, wind_mps, slope_n
