"""Road load against US federal tables, NIST reference data and scipy 1.17."""

from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad

from calc import resistance, road_load

NORRIS = Path(__file__).parent / "data" / "norris.csv"


def test_norris():
    # NIST Statistical Reference Datasets, Norris: certified values of B0, B1, their standard deviations, residual s.d.
    y, x = np.loadtxt(NORRIS, delimiter=",", skiprows=1).T
    fit = road_load.polynomial_fit(x, y, degree=1)
    assert fit.coefficients == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-9)
    assert fit.standard_errors == pytest.approx([0.232818234301152, 0.429796848199937e-3], rel=1e-9)
    assert fit.residual_standard_deviation == pytest.approx(0.884796396144373, rel=1e-10)
    assert fit.r_squared == pytest.approx(0.999993745883712, rel=1e-12)


@pytest.mark.parametrize(
    ("mass", "a", "c", "force", "seconds"),
    [
        (100, 0.0, 0.0224, 94.8, 2.95),
        (150, 4.32, 0.0238, 104.9, 3.99),
        (200, 8.69, 0.0252, 115.1, 4.85),
        (250, 13.06, 0.0266, 125.3, 5.57),
        (300, 17.43, 0.0279, 135.4, 6.18),
    ],
)
def test_motorcycle_coast_down_table(mass, a, c, force, seconds):
    # 40 CFR 86.529-98, figure F98-9: F = A + C V² with V in km/h, target time from 70 to 60 km/h.
    c_si = c * 3.6**2
    assert road_load.force_n(65 / 3.6, a, 0.0, c_si) == pytest.approx(force, abs=0.2)
    measured = road_load.coast_down_time_s(mass, a, 0.0, c_si, 70 / 3.6, 60 / 3.6)
    assert measured == pytest.approx(seconds, abs=0.01)


@pytest.mark.parametrize(
    ("a", "b", "c"), [(50, 0, 0), (50, 3, 0), (50, 1, 0.4), (10, 8, 0.4), (0, 2, 0.5), (40, 8, 0.4)]
)
def test_coast_down_time_by_quadrature(a, b, c):
    # scipy 1.17, quad of m dv / F.
    expected = quad(lambda v: 180.0 / (a + b * v + c * v * v), 3.0, 16.0)[0]
    assert road_load.coast_down_time_s(180.0, a, b, c, 16.0, 3.0) == pytest.approx(expected, rel=1e-9)


def test_power_at_50_mph():
    # EPA practice, horsepower at 50 mph = F(50)/7.5: 36.62 lbf, 0.1461 lbf/mph, 0.01869 lbf/mph² give 12.1 hp.
    # NIST SP 811 (2008), B.8: 1 lbf = 4.4482216152605 N, 1 mph = 0.44704 m/s, 1 hp = 745.69987 W.
    lbf, mph = 4.4482216152605, 0.44704
    watts = road_load.power_w(50 * mph, 36.62 * lbf, 0.1461 * lbf / mph, 0.01869 * lbf / mph**2)
    assert watts / 745.69987158227 == pytest.approx(12.1, abs=0.05)


def test_top_speed_by_root_finding():
    # scipy 1.17, brentq.
    from scipy.optimize import brentq

    expected = brentq(lambda v: (60 + 1.5 * v + 0.45 * v * v) * v - 2500.0, 0, 100)
    assert road_load.top_speed_mps(2500.0, 60.0, 1.5, 0.45) == pytest.approx(expected)


def test_consumption_units():
    # NIST SP 811 (2008), B.8: 1 Wh = 3600 J, so 36 N for 1000 m are 10 Wh.
    assert road_load.consumption_wh_per_km(10.0, 36.0, 0.0, 0.0, efficiency=1.0) == pytest.approx(10.0)


def test_steady_speed_fit():
    # numpy 2.4, polyfit of F over v² through the same points.
    speeds = np.array([4.0, 8.0, 11.0, 14.0])
    powers = np.array([330.0, 870.0, 1500.0, 2500.0])
    slope, constant = np.polyfit(speeds**2, 0.8 * powers / speeds, 1)
    fit = road_load.fit_steady_speed(speeds, powers, 0.8)
    assert (fit.a_n, fit.c_n_per_mps2) == pytest.approx((constant, slope))


def test_parts_of_the_road_load():
    # ISO 80000-3:2019, g_n = 9.80665 m/s²; ISO 2533:1975, ρ = 1.225 kg/m³ at sea level: c_d A = 2 C/ρ.
    assert resistance.rolling_coefficient(9.80665, 100.0) == pytest.approx(0.01)
    assert resistance.drag_area_m2(0.30625, 1.225) == pytest.approx(0.5)
