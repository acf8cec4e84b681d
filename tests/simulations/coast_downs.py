"""Coast-downs drawn by the equation of motion alone: gusts, a steady wind, a slope, a receiver's lag and its noise."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy.integrate import solve_ivp

from calc.coast_down import fit_coast_downs, jackknife_u
from calc.road_load import top_speed_mps
from tests.simulations import lap_clocks
from tests.simulations.tables import Rate, table

MASS_KG, A_N, C_N_PER_MPS2, POWER_W = 200.0, 45.0, 0.42, 2400.0


@dataclass(frozen=True)
class Day:
    """How it is coasted: runs each way, mean wind, gusts between runs (sd), slope, noise of the speed (sd, AR 1)."""

    runs: int = 3
    wind_mps: float = 2.0
    gust_mps: float = 0.5
    slope: float = 0.001
    noise_mps: float = 0.1
    correlation: float = 0.9
    lag_s: float = 0.8
    dropped_s: float = 2.0
    hz: float = 5.0


def a_run(day, is_back, rng):
    """A run from 11 to 14 m/s down to 3 m/s, as a receiver shows it."""
    wind = (-1 if is_back else 1) * day.wind_mps + rng.normal(0, day.gust_mps)
    pull = (-1 if is_back else 1) * day.slope * MASS_KG * 9.80665
    start = rng.uniform(11.0, 14.0)

    def slowed(_, state):
        air = state[0] + wind
        return [-(A_N + C_N_PER_MPS2 * air * abs(air) + pull) / MASS_KG]

    def slow_enough(_, state):
        return state[0] - 3.0

    slow_enough.terminal = True
    path = solve_ivp(slowed, (0.0, 90.0), [start], events=slow_enough, rtol=1e-8, atol=1e-9, dense_output=True)
    times = np.arange(0.0, path.t[-1], 1.0 / day.hz)
    # A receiver's filter of the first order; before the power is off the speed was steady.
    true = path.sol(times)[0]
    shown, step = np.empty(times.size), 1.0 / day.hz
    shown[0] = start
    for row in range(1, times.size):
        keep = np.exp(-step / day.lag_s) if day.lag_s else 0.0
        shown[row] = keep * shown[row - 1] + (1 - keep) * true[row]
    noise = np.empty(times.size)
    noise[0] = rng.normal(0, day.noise_mps)
    for row in range(1, times.size):
        noise[row] = day.correlation * noise[row - 1] + rng.normal(0, day.noise_mps * np.sqrt(1 - day.correlation**2))
    kept = times >= day.dropped_s
    return times[kept] - times[kept][0], np.maximum(shown + noise, 0.0)[kept]


@dataclass(frozen=True)
class Outcome:
    a_error_n: float
    c_error: float
    top_speed_error: float
    covers_a: bool
    covers_c: bool
    covers_top: bool


def tried(day, seed):
    rng = np.random.default_rng([25, seed])
    back = np.array([False] * day.runs + [True] * day.runs)
    runs = [a_run(day, bool(is_back), rng) for is_back in back]
    fit = fit_coast_downs(
        np.concatenate([times for times, _ in runs]),
        np.concatenate([speeds for _, speeds in runs]),
        np.repeat(np.arange(back.size), [times.size for times, _ in runs]),
        back,
        MASS_KG,
    )
    true_top = top_speed_mps(POWER_W, A_N, 0.0, C_N_PER_MPS2)
    top = top_speed_mps(POWER_W, max(fit.a_n, 0.0), 0.0, max(fit.c_n_per_mps2, 1e-6))
    tops = [top_speed_mps(POWER_W, max(a, 0.0), 0.0, max(c, 1e-6)) for a, c in fit.left_out]
    return Outcome(
        abs(fit.a_n - A_N),
        abs(fit.c_n_per_mps2 / C_N_PER_MPS2 - 1),
        abs(top / true_top - 1),
        abs(fit.a_n - A_N) <= 2 * fit.u_a_n,
        abs(fit.c_n_per_mps2 - C_N_PER_MPS2) <= 2 * fit.u_c_n_per_mps2,
        abs(top - true_top) <= 2 * jackknife_u(np.array(tops)),
    )


DAYS = {
    "3 runs each way, wind 2 m/s, gusts 0.5 m/s, noise correlated 0.9": Day(),
    "3 runs each way, wind 4 m/s": Day(wind_mps=4.0),
    "3 runs each way, calm": Day(wind_mps=0.0, gust_mps=0.2),
    "5 runs each way, wind 2 m/s": Day(runs=5),
    "8 runs each way, wind 2 m/s": Day(runs=8),
    "12 runs each way, wind 2 m/s": Day(runs=12),
    "2 runs each way, wind 2 m/s": Day(runs=2),
    "3 runs each way, a slope of 1 in 200": Day(slope=0.005),
    "3 runs each way, 1 fix a second": Day(hz=1.0),
}


@table("recordings")
def recordings(trials, run):
    """Coast-downs both ways: whether ± covers, and how near the fits are. Two logs of the same laps: which offset is
    offered."""
    yield from lap_clocks.rows(trials, run)
    for name, day in DAYS.items():
        seen = list(run(partial(tried, day), range(trials)))
        yield (
            name,
            [
                Rate("± covers A", sum(item.covers_a for item in seen), trials, least=0.9),
                Rate("± covers C", sum(item.covers_c for item in seen), trials, least=0.9),
                Rate("± covers top speed", sum(item.covers_top for item in seen), trials, least=0.9),
                Rate("A within 1.5 N", sum(item.a_error_n <= 1.5 for item in seen), trials),
                Rate("C within 10 %", sum(item.c_error <= 0.1 for item in seen), trials),
                Rate("top speed within 3 %", sum(item.top_speed_error <= 0.03 for item in seen), trials),
            ],
        )
