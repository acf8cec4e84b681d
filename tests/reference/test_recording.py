"""Logs against a published cell model, statsmodels 0.15, numpy 2.4, scipy 1.17 and geographiclib 2.1."""

from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm
from geographiclib.geodesic import Geodesic
from scipy import signal
from scipy.integrate import trapezoid

from calc.alignment import clock_offset_s
from calc.coasting import coasting_stretches
from calc.geodesy import track_speed_mps
from calc.recording import electrical_summary, resistance_under_discharge
from calc.road_load import fit_coast_down

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
    found = resistance_under_discharge(voltage_v, current_a, out_ah)
    assert found.resistance_ohm == pytest.approx(0.045, rel=0.02)  # what the voltages were made with
    scaled = out_ah / out_ah.max()
    design = np.column_stack([np.ones_like(scaled), -current_a, scaled, scaled**2, scaled**3])
    # statsmodels 0.15, OLS on the same terms.
    fit = sm.OLS(voltage_v, design).fit()
    assert (found.resistance_ohm, found.u_resistance_ohm) == pytest.approx((fit.params[1], fit.bse[1]), rel=1e-6)
    assert found.open_circuit_voltage_v == pytest.approx(fit.params[0])


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
    found = clock_offset_s(time_s, ride, np.arange(other.size, dtype=float), other)
    assert found.offset_s == pytest.approx(137.0, abs=0.1)
    assert found.correlation > 0.99


def test_the_offset_of_two_unlike_recorders():
    """By construction: a receiver at 1 Hz, and a wheel that slips by 8 % at 20 Hz, its clock 42.3 s late."""
    chance = np.random.default_rng(8)
    fine_s = np.arange(0.0, 600.0, 0.05)
    ride = np.clip(9 + 6 * np.sin(fine_s / 23) + 4 * np.sin(fine_s / 7.1) * np.cos(fine_s / 61), 0, None)
    seen_s = np.arange(0.0, 600.0, 1.0)
    seen = np.interp(seen_s, fine_s, ride) + chance.normal(0, 0.2, seen_s.size)
    wheel = ride * 1.08 + chance.normal(0, 0.3, ride.size)
    found = clock_offset_s(seen_s, np.clip(seen, 0, None), fine_s + 42.3, np.clip(wheel, 0, None))
    assert found.offset_s == pytest.approx(-42.3, abs=0.2)


def test_a_coast_down_is_found_and_gives_back_its_road_load():
    """Speeds from scipy 1.17, solve_ivp, of m dv/dt = −(A + C v²) with A = 60 N, C = 0.45 N/(m/s)², m = 220 kg."""
    from scipy.integrate import solve_ivp

    coast_s = np.arange(0.0, 20.0, 0.1)
    coast = solve_ivp(lambda _, v: -(60.0 + 0.45 * v**2) / 220.0, (0.0, 20.0), [14.0], t_eval=coast_s, rtol=1e-10).y[0]
    up = np.linspace(0.1, 14.0, 100)
    speed_mps = np.concatenate([up, coast, np.linspace(coast[-1], 0.1, 30)])
    current_a = np.concatenate([np.full(100, 45.0), np.zeros(200), np.full(30, -20.0)])
    time_s = np.arange(speed_mps.size) * 0.1
    found = coasting_stretches(time_s, speed_mps, current_a)
    assert (found.start_row.tolist(), found.stop_row.tolist()) == ([100], [300])
    rows = slice(100, 300)
    load = fit_coast_down(time_s[rows] - time_s[100], speed_mps[rows], 220.0)
    assert (load.a_n, load.c_n_per_mps2) == pytest.approx((60.0, 0.45), rel=1e-3)


def test_the_speed_along_a_geodesic():
    # geographiclib 2.1: points on one geodesic, 25 m and 2 s apart.
    line = Geodesic.WGS84.Line(60.0, 25.0, 37.0)
    points = [line.Position(25.0 * n) for n in range(12)]
    speeds = track_speed_mps(2.0 * np.arange(12), [p["lat2"] for p in points], [p["lon2"] for p in points])
    assert speeds == pytest.approx(12.5, rel=2e-5)
