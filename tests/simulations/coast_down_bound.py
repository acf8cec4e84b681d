"""How near any unbiased fit of coast-downs can come: the bound of Cramér and Rao, with the gusts' spread known.

The information matrix is made of the equation of motion alone, integrated here by a Runge-Kutta step of the fourth
order, and differentiated by small steps. Each run has a gust of its own, drawn with that spread, which is unknown to
the fit but for the spread. Noise correlated from fix to fix is whitened as an AR(1) process. Source: Kay,
Fundamentals of Statistical Signal Processing I (1993), chapters 3 and 10 (from memory).
"""

from __future__ import annotations

from functools import partial

import numpy as np
from scipy.special import ndtr

from calc.road_load import top_speed_mps
from tests.simulations.coast_downs import A_N, C_N_PER_MPS2, DAYS, MASS_KG, POWER_W
from tests.simulations.tables import Rate, table

STEPS = np.array([0.01, 1e-4, 0.01, 1e-3])
PARTS_OF_A_STEP = 6
SHORTEST_GUST_MPS = 1e-3


def speeds(forces, start_mps, sign, gust_mps, times):
    a_n, c_n_per_mps2, pull_n, wind_mps = forces

    def slowed(speed):
        air = speed + sign * wind_mps + gust_mps
        return -(a_n + c_n_per_mps2 * air * abs(air) + sign * pull_n) / MASS_KG

    seen, speed, step = np.empty(times.size), start_mps, (times[1] - times[0]) / PARTS_OF_A_STEP
    for row in range(times.size):
        seen[row] = speed
        for _ in range(PARTS_OF_A_STEP):
            first = slowed(speed)
            second = slowed(speed + step * first / 2)
            third = slowed(speed + step * second / 2)
            fourth = slowed(speed + step * third)
            speed += step * (first + 2 * second + 2 * third + fourth) / 6
    return seen


def information(day, rng):
    """Of A, C, the slope's pull and the wind, and of each run's first speed and gust."""
    forces = np.array([A_N, C_N_PER_MPS2, day.slope * MASS_KG * 9.80665, day.wind_mps])
    runs = 2 * day.runs
    total = np.zeros((4 + 2 * runs, 4 + 2 * runs))
    for run in range(runs):
        sign, gust = (1.0 if run < day.runs else -1.0), rng.normal(0, day.gust_mps)
        every = np.arange(0, 90, 1 / day.hz)
        whole = speeds(forces, rng.uniform(11.0, 14.0), sign, gust, every)
        kept = (whole > 3.0) & (every >= day.dropped_s)
        times, start = every[: kept.sum()], whole[kept][0]
        base = speeds(forces, start, sign, gust, times)
        slopes = np.zeros((times.size, total.shape[0]))
        for part, step in enumerate(STEPS):
            slopes[:, part] = (speeds(forces + step * np.eye(4)[part], start, sign, gust, times) - base) / step
        slopes[:, 4 + run] = (speeds(forces, start + 1e-3, sign, gust, times) - base) / 1e-3
        slopes[:, 4 + runs + run] = (speeds(forces, start, sign, gust + 1e-3, times) - base) / 1e-3
        correlation = day.correlation ** (5.0 / day.hz)
        white = (slopes[1:] - correlation * slopes[:-1]) / np.sqrt(1 - correlation**2)
        white = np.vstack([slopes[:1], white]) / day.noise_mps
        total += white.T @ white
        total[4 + runs + run, 4 + runs + run] += max(day.gust_mps, SHORTEST_GUST_MPS) ** -2.0
    return total


def shares(day, seed):
    """How often the best fit is within 1.5 N, 10 % and 3 %."""
    covariance = np.linalg.inv(information(day, np.random.default_rng([26, seed])))[:2, :2]
    top = top_speed_mps(POWER_W, A_N, 0.0, C_N_PER_MPS2)
    gradient = np.array([
        (top_speed_mps(POWER_W, A_N + 0.1, 0.0, C_N_PER_MPS2) - top) / 0.1,
        (top_speed_mps(POWER_W, A_N, 0.0, C_N_PER_MPS2 + 1e-3) - top) / 1e-3,
    ])  # fmt: skip
    sd = [*np.sqrt(np.diag(covariance)), np.sqrt(gradient @ covariance @ gradient)]
    return 2 * ndtr(np.array([1.5, 0.1 * C_N_PER_MPS2, 0.03 * top]) / sd) - 1


@table("coast_down_bound")
def coast_down_bound(trials, run):
    """How often any unbiased fit of coast-downs can be so near (a bound, by the mean over days)."""
    for name, day in DAYS.items():
        mean = np.mean(list(run(partial(shares, day), range(trials))), axis=0)
        counts = np.rint(mean * trials).astype(int).tolist()
        words = ("A within 1.5 N", "C within 10 %", "top speed within 3 %")
        yield name, [Rate(f"at most: {what}", count, trials) for what, count in zip(words, counts, strict=True)]
