"""Road load from several coast-downs both ways, in one fit that finds the wind by itself."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from calc.declaration import Number, kernel, not_negative, positive
from calc.least_squares import SAE, fit_columns

FEWEST_RUNS_A_WAY = 2
"""Of either way, so that one can be left out and both ways are still there."""
FEWEST_SAMPLES = 5
GUST_MPS = 0.5
"""How much the mean wind of one run differs from that of another (standard deviation): an assumption, which weighs what
all runs say together against what each says by itself. Half or twice as much moves a fit by little
(python -m tests.simulations recordings)."""
LEAST_NOISE_MPS = 1e-3
"""Speeds without noise, such as drawn ones, are taken to be rounded to so much."""
MOST_FURTHER_RUNS = 20
"""More of them each way than this nobody rides on a day."""
MOST_CORRELATION = 0.98
"""From sample to sample."""


class CoastDownFit(NamedTuple):
    """Road load of all runs together: F = A + C v² on level ground without wind.

    wind_mps is the mean wind along the way, above 0 where it blows against the runs out; None where all runs went one
    way, and what a wind does is in A and C. slope_n is the pull downhill against the runs out. u_a_n and u_c_n_per_mps2
    are half of 95 % limits; None where too few runs tell them. left_out has a and c without each run in turn, one row a
    run; empty where there is no uncertainty. noise_mps is the standard deviation of what is left of the speeds,
    noise_correlation that of noise a second apart.
    """

    a_n: float
    c_n_per_mps2: float
    u_a_n: float | None
    u_c_n_per_mps2: float | None
    wind_mps: float | None
    slope_n: float | None
    left_out: Any
    noise_mps: float
    noise_correlation: float


class _Noise(NamedTuple):
    """Of the speed: its standard deviation [m/s], and how far noise a second apart is the same."""

    sd_mps: float = 1.0
    correlation: float = 0.0


class _Gusts(NamedTuple):
    """How the wind of one run differs from the mean wind: the standard deviation of the pull that is in proportion to
    the speed over the air [N s/m], and the mean wind [m/s]."""

    sd_n_per_mps: float = 0.0
    wind_mps: float = 0.0


@kernel(
    title="Road load from coast-downs both ways",
    formula="v = v₀ᵢ − (A′ t + C ∫v² dt ± D t ± E ∫v dt + 2C gᵢ ∫(v ± w) dt) / m  (generalised least squares over all "
    "runs i, noise correlated from sample to sample, gusts gᵢ of 0 ± 0.5 m/s);  w = E / 2C;  A = A′ − C w²;  "
    "u: leaving out one run in turn, u² = (n − 1)/n · Σ(θᵢ − θ̄)², times t₀.₉₇₅(n − 2) / 2",
    source=f"{SAE}; the equation of motion integrated, trapezoidal rule. Generalised least squares: Aitken, "
    "Proc. R. Soc. Edinburgh 55 (1935) 42-48; a first-order autoregression taken off: Cochrane and Orcutt, JASA 44 "
    "(1949) 32-61; gusts as random effects: Laird and Ware, Biometrics 38 (1982) 963-974. Jackknife: Efron and "
    "Tibshirani, An Introduction to the Bootstrap (1993), 11.2 (all from memory). Tried by "
    "python -m tests.simulations recordings.",
    time_s=not_negative(),
    speed_mps=not_negative(),
    mass_kg=positive(),
    gust_mps=not_negative(),
)
def fit_coast_downs(
    time_s: Number, speed_mps: Number, run: Any, is_back: Any, mass_kg: float, gust_mps: float = GUST_MPS
) -> CoastDownFit:
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
    gust_mps: how much the mean wind of a run differs from that of the others, a standard deviation [m/s], 0 or more.

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
    both = bool(back.any() and not back.all())
    signs = np.where(back, -1.0, 1.0).tolist()
    noise = _noise_of(parts)

    def of_each(noise: _Noise, gusts: _Gusts) -> list[Any]:
        return [_equations(part, sign, both, mass_kg, noise, gusts) for part, sign in zip(parts, signs, strict=True)]

    first = _solved(of_each(_Noise(), _Gusts()))
    equations = of_each(noise, _Gusts(2 * max(first.c_n_per_mps2, 0.0) * gust_mps, first.wind_mps))
    whole = _solved(equations)
    left_out = np.empty((0, 2))
    if min(int(back.sum()), int((~back).sum())) >= FEWEST_RUNS_A_WAY:
        left_out = np.array([_solved(equations[:gone] + equations[gone + 1 :])[:2] for gone in range(back.size)])
    return CoastDownFit(
        whole.a_n,
        whole.c_n_per_mps2,
        jackknife_u(left_out[:, 0]),
        jackknife_u(left_out[:, 1]),
        whole.wind_mps if both else None,
        whole.slope_n if both else None,
        left_out,
        noise.sd_mps,
        noise.correlation,
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


def more_runs_each_way(u: float, runs: int, wanted_u: float) -> int | None:
    """About how many further runs each way would bring an uncertainty by `jackknife_u` of so many runs down to another;
    None where that would be more than `MOST_FURTHER_RUNS`.

    Examples
    --------
    >>> more_runs_each_way(1.0, 6, 1.0), more_runs_each_way(1.0, 6, 0.5), more_runs_each_way(1.0, 6, 0.1)
    (0, 5, None)
    """
    from scipy.special import stdtrit

    more = np.arange(MOST_FURTHER_RUNS + 1)
    then = runs + 2 * more
    expected = u * np.sqrt(runs / then) * stdtrit(then - 2, 0.975) / stdtrit(runs - 2, 0.975)
    enough = np.flatnonzero(expected <= wanted_u)
    return int(enough[0]) if enough.size else None


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


def _noise_of(parts: list[Any]) -> _Noise:
    """By what is left of each run when it is fitted by itself, whatever its wind was."""
    squares = neighbours = pairs = free = 0.0
    steps = []
    for part in parts:
        design = np.column_stack([np.ones(part.shape[0]), part[:, :3]])
        design /= np.maximum(np.abs(design).max(axis=0), 1e-12)
        left = part[:, 3] - design @ np.linalg.lstsq(design, part[:, 3], rcond=None)[0]
        squares += float(left @ left)
        neighbours += float(left[1:] @ left[:-1])
        pairs += float(left @ left) * (left.size - 1) / left.size
        free += left.size - design.shape[1]
        steps.append(np.diff(part[:, 0]))
    sd_mps = float(np.sqrt(squares / free))
    if sd_mps <= LEAST_NOISE_MPS:
        return _Noise(LEAST_NOISE_MPS, 0.0)
    next_to_it = min(max(neighbours / pairs, 0.0), MOST_CORRELATION)
    return _Noise(sd_mps, next_to_it ** (1.0 / float(np.median(np.concatenate(steps)))))


def _equations(part: Any, sign: float, both: bool, mass_kg: float, noise: _Noise, gusts: _Gusts) -> Any:
    """What one run says of A′, C and, where there are both ways, D and E: rows of a least-squares fit, the last column
    the speed. The run's own first speed and gust are taken out of them: what is below these in its QR triangle."""
    time_s, way_m, drag, speed_mps = part.T
    forces = [time_s, drag, *([sign * time_s, sign * way_m] if both else [])]
    gust = gusts.sd_n_per_mps * (way_m + sign * gusts.wind_mps * time_s)
    rows = np.column_stack([-force / mass_kg for force in (gust, *forces)])
    rows = np.column_stack([np.ones(time_s.size), rows, speed_mps])
    kept = noise.correlation ** np.diff(time_s)[:, None]
    rows = np.vstack([rows[:1], (rows[1:] - kept * rows[:-1]) / np.sqrt(1.0 - kept**2)]) / noise.sd_mps
    # A gust is as likely as its spread says: one more row, which draws it towards none.
    drawn = np.zeros((1, rows.shape[1]))
    drawn[0, 1] = 1.0
    triangle: Any = np.linalg.qr(np.vstack([rows, drawn]), mode="r")
    return triangle[2:, 2:]


class _Road(NamedTuple):
    a_n: float
    c_n_per_mps2: float
    wind_mps: float
    slope_n: float


def _solved(equations: list[Any]) -> _Road:
    stacked = np.vstack(equations)
    a_with_wind, c, *both = fit_columns(stacked[:, :-1], stacked[:, -1], "speed_mps").coefficients.tolist()
    if not both:
        return _Road(a_with_wind, c, 0.0, 0.0)
    slope_n, linear = both
    # Where C is nothing, a wind is nothing that could be told.
    wind_mps = linear / (2 * c) if c > 0 else 0.0
    return _Road(a_with_wind - max(c, 0.0) * wind_mps**2, c, wind_mps, slope_n)
