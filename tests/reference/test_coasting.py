"""Coast-down fits against independent regression, integration and the scatter of repeated noisy runs."""

import numpy as np
import pytest
import uncertainties
from scipy.integrate import cumulative_trapezoid, quad, solve_ivp
from scipy.optimize import brentq
from statsmodels.api import OLS

from calc import road_load
from calc.road_load import RoadLoad

MASS_KG = 200.0


def coast(a, b, c, times):
    """scipy 1.17.1, solve_ivp of m dv/dt = −(A + B v + C v²)."""
    run = solve_ivp(
        lambda _, v: -(a + b * v + c * v * v) / MASS_KG,
        (times[0], times[-1]),
        [16.0],
        t_eval=times,
        rtol=1e-11,
        atol=1e-12,
    )
    return run.y[0]


def test_fit_and_standard_errors_by_statsmodels():
    # statsmodels 0.15.0 OLS on the equation of motion integrated by scipy 1.17.1 cumulative_trapezoid.
    times = np.arange(0.0, 20.0, 0.5)
    speeds = coast(60.0, 0.0, 0.5, times) + np.random.default_rng(7).normal(0.0, 0.1, times.size)
    drag = cumulative_trapezoid(speeds**2, times, initial=0.0)
    expected = OLS(speeds, np.column_stack([np.ones_like(times), -times / MASS_KG, -drag / MASS_KG])).fit()
    fit = road_load.fit_coast_down(times, speeds, MASS_KG)
    assert (fit.a_n, fit.c_n_per_mps2) == pytest.approx(tuple(expected.params[1:]), rel=1e-8)
    assert (fit.u_a_n, fit.u_c_n_per_mps2) == pytest.approx(tuple(expected.bse[1:]), rel=1e-8)


def test_the_standard_errors_are_the_scatter_of_repeated_runs():
    # JCGM 101:2008 (propagation by drawing): what 200 noisy runs scatter by, the fit must claim, within 15 %;
    # 200 runs know their own scatter to 5 %. Noise of a 5 Hz satellite speed, 0.1 m/s.
    times = np.arange(0.0, 20.0, 0.2)
    clean, draw = coast(60.0, 0.0, 0.5, times), np.random.default_rng(11)
    fits = np.array(
        [road_load.fit_coast_down(times, clean + draw.normal(0.0, 0.1, times.size), MASS_KG) for _ in range(200)]
    )
    scatter, claimed = fits.std(axis=0, ddof=1), fits.mean(axis=0)
    assert claimed[3] == pytest.approx(scatter[0], rel=0.15)
    assert claimed[5] == pytest.approx(scatter[2], rel=0.15)
    # The mean of 200 lies within four of its own standard errors of the truth.
    assert claimed[0] == pytest.approx(60.0, abs=4 * scatter[0] / 200**0.5)
    assert claimed[2] == pytest.approx(0.5, abs=4 * scatter[2] / 200**0.5)


def test_all_three_parts_are_found_again():
    times = np.arange(0.0, 25.0, 0.1)
    fit = road_load.fit_coast_down(times, coast(40.0, 3.0, 0.4, times), MASS_KG, linear=True)
    assert fit[:3] == pytest.approx((40.0, 3.0, 0.4), rel=1e-3)


def test_steady_speed_fit_by_statsmodels():
    # statsmodels 0.15.0 OLS of η P / v on 1, v and v².
    speeds = np.array([4.0, 6.0, 9.0, 11.0, 14.0])
    powers = np.array([330.0, 580.0, 1080.0, 1500.0, 2500.0])
    expected = OLS(0.75 * powers / speeds, np.column_stack([np.ones_like(speeds), speeds, speeds**2])).fit()
    fit = road_load.fit_steady_speed(speeds, powers, 0.75, linear=True)
    assert fit[:3] == pytest.approx(tuple(expected.params), rel=1e-8)
    assert fit[3:] == pytest.approx(tuple(expected.bse), rel=1e-8)


def test_errors_of_both_directions_combine():
    # uncertainties 3.2.3.
    out, back = uncertainties.ufloat(50.0, 3.0), uncertainties.ufloat(70.0, 4.0)
    expected = (out + back) / 2
    mean = road_load.mean_of_directions(
        RoadLoad(50.0, 0.0, 0.4, 3.0, 0.0, 0.0), RoadLoad(70.0, 0.0, 0.6, 4.0, 0.0, 0.0)
    )
    assert (mean.a_n, mean.u_a_n) == pytest.approx((expected.nominal_value, expected.std_dev))


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
