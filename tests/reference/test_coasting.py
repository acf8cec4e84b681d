"""Coast-down fits against independent regression, integration and the scatter of repeated noisy runs."""

import numpy as np
import pytest
from scipy.integrate import cumulative_trapezoid, quad, solve_ivp
from scipy.linalg import block_diag
from scipy.optimize import brentq
from scipy.stats import t as student_t
from statsmodels.api import GLS, OLS

from calc import coast_down, road_load

MASS_KG = 200.0


def both_ways(runs=3, noise=0.1, wind=2.0, seed=2):
    """scipy 1.17.1 solve_ivp of m dv/dt = −(A + C (v ± w)² ± D), A 60 N, C 0.5, D 4 N, with noise."""
    rng, times = np.random.default_rng(seed), np.arange(0.0, 18.0, 0.5)
    back = np.array([False] * runs + [True] * runs)
    speeds = []
    for number, is_back in enumerate(back):
        sign = -1 if is_back else 1
        run = solve_ivp(
            lambda _, v, sign=sign: -(60.0 + 0.5 * (v + sign * wind) * np.abs(v + sign * wind) + sign * 4.0) / MASS_KG,
            (0.0, 18.0), [15.0 + 0.3 * number], t_eval=times, rtol=1e-11, atol=1e-12,
        )  # fmt: skip
        speeds.append(run.y[0] + rng.normal(0.0, noise, times.size))
    return np.tile(times, back.size), np.concatenate(speeds), np.repeat(np.arange(back.size), times.size), back


def test_all_runs_in_one_fit_by_statsmodels():
    # statsmodels 0.15.0 GLS on the equation of motion integrated by scipy 1.17.1 cumulative_trapezoid, one design and
    # one whole covariance for all runs: noise of a first-order autoregression, and a gust of 0.5 m/s for each run; that
    # noise by statsmodels OLS of each run; and the jackknife by hand, with t of runs less two from scipy.
    times, speeds, runs, back = both_ways()
    each = []
    for number, is_back in enumerate(back):
        t, v = times[runs == number], speeds[runs == number]
        way, drag = cumulative_trapezoid(v, t, initial=0.0), cumulative_trapezoid(v**2, t, initial=0.0)
        each.append((t, v, way, drag, -1 if is_back else 1))
    left = [OLS(v, np.column_stack([np.ones_like(t), t, way, drag])).fit().resid for t, v, way, drag, _ in each]
    noise = np.sqrt(sum(e @ e for e in left) / sum(e.size - 4 for e in left))
    next_to_it = sum(e[1:] @ e[:-1] for e in left) / sum((e @ e) * (1 - 1 / e.size) for e in left)
    correlation = max(next_to_it, 0.0) ** (1 / 0.5)

    def fitted(chosen, gust_n, wind):
        rows, y, covariances = [], [], []
        for place, number in enumerate(chosen):
            t, v, way, drag, sign = each[number]
            start = np.zeros((t.size, len(chosen)))
            start[:, place] = MASS_KG
            rows.append(np.column_stack([start, -t, -drag, -sign * t, -sign * way]) / MASS_KG)
            y.append(v)
            gust = gust_n * (way + sign * wind * t) / MASS_KG
            apart = np.abs(t[:, None] - t)
            plain = np.eye(t.size) if gust_n == 0 else noise**2 * np.where(apart > 0, correlation**apart, 1.0)
            covariances.append(plain + np.outer(gust, gust))
        a, c, d, e = GLS(np.concatenate(y), np.vstack(rows), block_diag(*covariances)).fit().params[len(chosen) :]
        return a - e**2 / (4 * c), c, e / (2 * c), d

    _, first_c, first_wind, _ = fitted(range(6), 0.0, 0.0)
    weighed = (2 * first_c * 0.5, first_wind)
    fit = coast_down.fit_coast_downs(times, speeds, runs, back, MASS_KG)
    assert (fit.noise_mps, fit.noise_correlation) == pytest.approx((noise, correlation), rel=1e-6)
    expected = fitted(range(6), *weighed)
    assert (fit.a_n, fit.c_n_per_mps2, fit.wind_mps, fit.slope_n) == pytest.approx(expected, rel=1e-6)
    without = np.array([fitted([i for i in range(6) if i != gone], *weighed)[:2] for gone in range(6)])
    u = np.sqrt(5 / 6 * ((without - without.mean(axis=0)) ** 2).sum(axis=0)) * student_t.ppf(0.975, 4) / 2
    assert (fit.u_a_n, fit.u_c_n_per_mps2) == pytest.approx(tuple(u), rel=1e-6)


def test_wind_and_slope_are_found_without_noise():
    # The truth of the generator, where only the trapezoids are in the way.
    fit = coast_down.fit_coast_downs(*both_ways(noise=0.0), MASS_KG)
    assert fit.a_n == pytest.approx(60.0, abs=0.3)
    assert fit.c_n_per_mps2 == pytest.approx(0.5, rel=0.005)
    assert fit.wind_mps == pytest.approx(2.0, abs=0.03)
    assert fit.slope_n == pytest.approx(4.0, abs=0.3)
    # Run by run, as one would without the other way, the same wind makes A and C of either way wrong.
    times, speeds, runs, back = both_ways(noise=0.0)
    out = coast_down.fit_coast_downs(times[runs < 3], speeds[runs < 3], runs[runs < 3], back[:3], MASS_KG)
    assert out.wind_mps is None
    assert out.u_a_n is None
    assert abs(out.a_n - 60.0) > 3.0


@pytest.mark.parametrize("runs", [1, 2, 3])
def test_fewer_than_two_runs_each_way_have_no_uncertainty(runs):
    fit = coast_down.fit_coast_downs(*both_ways(runs), MASS_KG)
    assert (fit.u_a_n is None) == (runs < 2)


def test_steady_speed_fit_by_statsmodels():
    # statsmodels 0.15.0 OLS of η P / v on 1, v and v².
    speeds = np.array([4.0, 6.0, 9.0, 11.0, 14.0])
    powers = np.array([330.0, 580.0, 1080.0, 1500.0, 2500.0])
    expected = OLS(0.75 * powers / speeds, np.column_stack([np.ones_like(speeds), speeds, speeds**2])).fit()
    fit = road_load.fit_steady_speed(speeds, powers, 0.75, linear=True)
    assert fit[:3] == pytest.approx(tuple(expected.params), rel=1e-8)
    assert fit[3:] == pytest.approx(tuple(expected.bse), rel=1e-8)


@pytest.mark.parametrize("a", [40.0, 40.0 * (1 + 1e-10), 40.0 * (1 - 1e-10), 40.0 * (1 + 1e-14)])
def test_coast_down_close_to_the_change_of_branch(a):
    # scipy 1.17.1 quad of m dv / F with B² = 4AC, or all but.
    expected, _ = quad(lambda v: MASS_KG / (a + 8.0 * v + 0.4 * v * v), 3.0, 16.0, epsabs=0, epsrel=1e-13)
    assert road_load.coast_down_time_s(MASS_KG, a, 8.0, 0.4, 16.0, 3.0) == pytest.approx(expected, rel=1e-12)


def test_top_speeds_by_root_finding():
    # scipy 1.17.1 brentq, one by one, every part of the load missing once.
    powers = np.array([500.0, 2500.0, 9000.0, 3000.0])
    a, b, c = np.array([60.0, 0.0, 50.0, 80.0]), np.array([1.5, 2.0, 0.0, 4.0]), np.array([0.45, 0.5, 0.3, 0.0])
    loads = zip(powers.tolist(), a.tolist(), b.tolist(), c.tolist(), strict=True)
    expected = [brentq(lambda v, p, x, y, z: (x + y * v + z * v * v) * v - p, 0.0, 500.0, load) for load in loads]
    np.testing.assert_allclose(road_load.top_speed_mps(powers, a, b, c), expected, rtol=1e-9)
