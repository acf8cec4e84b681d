"""Logs against a published cell model, statsmodels 0.15, numpy 2.4, scipy 1.17 and geographiclib 2.1."""

import itertools
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm
from geographiclib.geodesic import Geodesic
from scipy import signal
from scipy.integrate import trapezoid

from calc.alignment import clock_offset_s
from calc.coast_down import fit_coast_downs
from calc.coasting import coasting_stretches
from calc.geodesy import TrackLength, track_length_m, track_speed_mps
from calc.least_squares import Triangle, fit_columns
from calc.recording import electrical_summary, resistance_under_discharge
from calc.session_facts import GatheredLogFacts, LogFacts

DATA = Path(__file__).parent / "data"


def test_what_a_modelled_discharge_adds_up_to():
    # pybamm 26.10.1.1, DFN, Chen2020 (J. Electrochem. Soc. 167 (2020) 080534), 1C: 4.99193023498 Ah, 17.5050926881 Wh,
    # 4.054690 V at the start, 2.5 V at the end.
    time_s, current_a, voltage_v, *_ = np.loadtxt(DATA / "pybamm_discharge.csv", delimiter=",", skiprows=1).T
    summary = electrical_summary(time_s, voltage_v, current_a)
    assert summary.discharged_ah == pytest.approx(4.99193023498, rel=1e-7)
    assert summary.discharged_wh == pytest.approx(17.5050926881, rel=1e-5)
    assert (summary.lowest_voltage_v, summary.highest_voltage_v) == pytest.approx((2.5, 4.054690), abs=1e-6)
    assert summary.peak_power_w == pytest.approx(5.0 * 4.054690, abs=1e-5)
    assert summary.mean_power_w == pytest.approx(17.5050926881 / 3594.1898 * 3600, rel=1e-5)


def test_a_jagged_log_against_scipy():
    chance = np.random.default_rng(5)
    time_s = np.cumsum(chance.uniform(0.05, 0.4, 4000))
    current_a, voltage_v = chance.normal(20, 30, 4000), chance.uniform(45, 55, 4000)
    summary = electrical_summary(time_s, voltage_v, current_a)
    assert summary.discharged_ah - summary.regenerated_ah == pytest.approx(trapezoid(current_a, time_s) / 3600)
    assert summary.discharged_wh - summary.returned_wh == pytest.approx(trapezoid(voltage_v * current_a, time_s) / 3600)
    assert summary.returned_wh > 0


def emptying_pack(resistance_ohm=0.045, noise_v=0.02):
    """A pack of 14 cells in series on the published open-voltage curve of pybamm's Chen2020, drawn from unevenly."""
    charge, open_v = np.loadtxt(DATA / "pybamm_chen2020_ocv.csv", delimiter=",", skiprows=1, usecols=(0, 5)).T
    chance = np.random.default_rng(11)
    current_a = np.repeat(chance.choice([0.0, 5.0, 25.0, 60.0, -8.0], 600), 10)
    out_ah = np.append(0.0, np.cumsum((current_a[1:] + current_a[:-1]) / 7200))
    state = 0.95 - out_ah / 60.0
    voltage_v = 14 * np.interp(state, charge, open_v) - resistance_ohm * current_a + chance.normal(0, noise_v, 6000)
    return voltage_v, current_a, out_ah


def test_the_resistance_of_an_emptying_pack():
    voltage_v, current_a, out_ah = emptying_pack()
    result = resistance_under_discharge(voltage_v, current_a, out_ah)
    assert result.resistance_ohm == pytest.approx(0.045, rel=0.02)  # what the voltages were made with
    scaled = out_ah / out_ah.max()
    design = np.column_stack([np.ones_like(scaled), -current_a, scaled, scaled**2, scaled**3])
    # statsmodels 0.15, OLS on the same terms.
    fit = sm.OLS(voltage_v, design).fit()
    assert (result.resistance_ohm, result.u_resistance_ohm) == pytest.approx((fit.params[1], fit.bse[1]), rel=1e-6)
    assert result.open_circuit_voltage_v == pytest.approx(fit.params[0])


def test_the_offset_that_scipy_finds():
    """A smooth random ride, logged twice on one even grid: scipy 1.17, signal.correlate has its top at the shift."""
    chance = np.random.default_rng(2)
    ride = 8 + 3 * signal.savgol_filter(chance.normal(0, 4, 900), 31, 2)
    ride = np.clip(ride, 0, None)
    time_s = np.arange(900.0)
    other = ride[137:700]
    scores = signal.correlate(ride - ride.mean(), other - other.mean())
    expected_s = float(signal.correlation_lags(ride.size, other.size)[np.argmax(scores)])
    assert expected_s == 137.0
    result = clock_offset_s(time_s, ride, np.arange(other.size, dtype=float), other)
    assert result.offset_s == pytest.approx(137.0, abs=0.1)
    assert result.correlation > 0.99


def test_the_offset_of_two_unlike_recorders():
    """By construction: a receiver at 1 Hz, and a wheel that slips by 8 % at 20 Hz, its clock 42.3 s late."""
    chance = np.random.default_rng(8)
    fine_s = np.arange(0.0, 600.0, 0.05)
    ride = np.clip(9 + 6 * np.sin(fine_s / 23) + 4 * np.sin(fine_s / 7.1) * np.cos(fine_s / 61), 0, None)
    seen_s = np.arange(0.0, 600.0, 1.0)
    seen = np.interp(seen_s, fine_s, ride) + chance.normal(0, 0.2, seen_s.size)
    wheel = ride * 1.08 + chance.normal(0, 0.3, ride.size)
    result = clock_offset_s(seen_s, np.clip(seen, 0, None), fine_s + 42.3, np.clip(wheel, 0, None))
    assert result.offset_s == pytest.approx(-42.3, abs=0.2)


def test_a_coast_down_is_found_and_gives_back_its_road_load():
    """Speeds from scipy 1.17, solve_ivp, of m dv/dt = −(A + C v²) with A = 60 N, C = 0.45 N/(m/s)², m = 220 kg."""
    from scipy.integrate import solve_ivp

    coast_s = np.arange(0.0, 20.0, 0.1)
    coast = solve_ivp(lambda _, v: -(60.0 + 0.45 * v**2) / 220.0, (0.0, 20.0), [14.0], t_eval=coast_s, rtol=1e-10).y[0]
    up = np.linspace(0.1, 14.0, 100)
    speed_mps = np.concatenate([up, coast, np.linspace(coast[-1], 0.1, 30)])
    current_a = np.concatenate([np.full(100, 45.0), np.zeros(200), np.full(30, -20.0)])
    time_s = np.arange(speed_mps.size) * 0.1
    result = coasting_stretches(time_s, speed_mps, current_a)
    assert (result.start_row.tolist(), result.stop_row.tolist()) == ([100], [300])
    rows = slice(100, 300)
    load = fit_coast_downs(time_s[rows] - time_s[100], speed_mps[rows], np.zeros(200, dtype=int), [False], 220.0)
    assert (load.a_n, load.c_n_per_mps2) == pytest.approx((60.0, 0.45), rel=1e-3)


def test_the_speed_along_a_geodesic():
    # geographiclib 2.1: points on one geodesic, 25 m and 2 s apart.
    line = Geodesic.WGS84.Line(60.0, 25.0, 37.0)
    points = [line.Position(25.0 * n) for n in range(12)]
    speeds = track_speed_mps(2.0 * np.arange(12), [p["lat2"] for p in points], [p["lon2"] for p in points])
    assert speeds == pytest.approx(12.5, rel=2e-5)


# Blocks: what is worked out a block at a time is what the whole arrays give


def cut(columns, chance, pieces=7):
    """Blocks of unequal length, some of one row."""
    rows = columns[0].size
    edges = np.unique(np.concatenate([[0, 1, 2, rows], chance.integers(1, rows, pieces)]))
    return [tuple(column[start:stop] for column in columns) for start, stop in itertools.pairwise(edges)]


@pytest.mark.parametrize("seed", range(5))
def test_a_fit_by_blocks_is_that_of_statsmodels_and_of_numpy(seed):
    chance = np.random.default_rng(seed)
    charge = np.cumsum(chance.uniform(0, 1e-3, 5000))
    design = np.column_stack([np.ones(5000), -chance.normal(30, 20, 5000), charge, charge**2, charge**3])
    y = design @ [58.0, 0.06, -1.5, 0.3, -0.05] + chance.normal(0, 0.05, 5000)
    triangle = Triangle(5)
    for part in cut([*design.T, y], chance):
        triangle.add(np.column_stack(part))
    fit = triangle.fit("x")
    outside = sm.OLS(y, design).fit()
    assert fit.coefficients == pytest.approx(np.linalg.lstsq(design, y)[0], rel=1e-9)
    assert fit.coefficients == pytest.approx(outside.params, rel=1e-9)
    assert fit.standard_errors == pytest.approx(outside.bse, rel=1e-9)
    assert fit.r_squared == pytest.approx(outside.rsquared, rel=1e-9)
    assert fit.residual_standard_deviation == pytest.approx(np.sqrt(outside.mse_resid), rel=1e-9)
    fewer = triangle.fit("x", 3)
    assert fewer.coefficients == pytest.approx(sm.OLS(y, design[:, :3]).fit().params, rel=1e-9)
    # The former arithmetic, on the whole matrix at once.
    assert fewer.standard_errors == pytest.approx(fit_columns(design[:, :3], y, "x").standard_errors, rel=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_facts_by_blocks_are_those_of_whole_arrays_by_scipy_and_statsmodels(seed):
    chance = np.random.default_rng(seed)
    time_s = np.cumsum(chance.choice([0.1, 0.2, 0.3, 30.0], 4000, p=[0.5, 0.3, 0.199, 0.001]))
    current_a = chance.normal(20, 30, 4000)
    charge = np.append(0.0, np.cumsum(np.diff(time_s) * (current_a[1:] + current_a[:-1]) / 7200.0))
    voltage_v = 56.0 - 1.5 * charge - 0.06 * current_a + chance.normal(0, 0.05, 4000)
    series = (time_s, voltage_v, current_a)
    blocks = cut(series, chance)
    gathered = GatheredLogFacts()
    for block in blocks:
        gathered.add(*block)
    facts, whole = gathered.facts(), LogFacts.of_series(*series)
    known = {name: value for name, value in vars(whole).items() if value is not None}
    assert len(known) == 12
    assert {name: value for name, value in vars(facts).items() if value is not None} == pytest.approx(known, rel=1e-9)
    logged = np.diff(time_s) <= max(5.0, 20.0 * np.median(np.diff(time_s)))
    legs = np.diff(time_s)[logged]
    power = voltage_v * current_a
    assert facts.charge_ah == pytest.approx(np.sum((legs * (current_a[1:] + current_a[:-1])[logged]) / 7200))
    assert facts.energy_wh == pytest.approx(np.sum((legs * (power[1:] + power[:-1])[logged]) / 7200))
    out = charge / np.abs(charge).max()
    slope = sm.OLS(voltage_v, np.column_stack([np.ones(4000), -current_a, out, out**2, out**3])).fit()
    assert facts.resistance_ohm == pytest.approx(slope.params[1], rel=1e-9)
    assert facts.u_resistance_ohm == pytest.approx(slope.bse[1], rel=1e-9)


def test_a_log_whose_voltage_is_below_zero_has_no_resistance():
    series = (np.arange(40.0), np.linspace(-1.0, 50.0, 40), np.tile([0.0, 20.0], 20))
    assert LogFacts.of_series(*series).resistance_ohm is None


@pytest.mark.parametrize("step_m", [0.0, 0.2, 3.0, 40.0])
@pytest.mark.parametrize("smallest_m", [0.0, 5.0])
def test_a_track_by_blocks_is_as_long_as_the_whole_counted_point_by_point(step_m, smallest_m):
    chance = np.random.default_rng(int(step_m * 10))
    # Rides, halts and wandering: 1e-5 degrees of latitude are 1.1 m.
    steps = chance.normal(0, step_m / 1.1e5, (2, 3000)) * (chance.random(3000) < 0.8) + 2e-7
    latitudes, longitudes = 60.0 + np.cumsum(steps[0]), 25.0 + np.cumsum(steps[1])
    length = TrackLength(smallest_m)
    for part in cut([latitudes, longitudes], chance):
        length.add(*part)
    whole = track_length_m(latitudes, longitudes, smallest_m)
    assert length.length_m == pytest.approx(whole, rel=1e-12)
    # The rule as it is written down, one point after the other.
    expected, last = 0.0, 0
    for row in range(1, 3000):
        leg = track_length_m(latitudes[[last, row]], longitudes[[last, row]])
        if leg >= smallest_m:
            expected, last = expected + leg, row
    assert whole == pytest.approx(expected, rel=1e-9)
