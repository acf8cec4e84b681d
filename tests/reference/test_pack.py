"""Packs against unit libraries, a published cell, and independent regression and propagation."""

import csv
from pathlib import Path

import numpy as np
import pint
import pytest
import uncertainties
from scipy.interpolate import interp1d
from scipy.stats import linregress

from calc import pack

# pybamm 26.10.1.1, ParameterValues("Chen2020"), ElectrodeSOHSolver between 2.5 V and 4.2 V: the LG M50
# cell of Chen et al., J. Electrochem. Soc. 167 (2020) 080534.
OPEN_CIRCUIT = Path(__file__).parent / "data" / "pybamm_chen2020_ocv.csv"


def chen2020():
    with OPEN_CIRCUIT.open(newline="") as lines:
        rows = list(csv.DictReader(lines))
    return np.array([float(row["soc"]) for row in rows]), np.array([float(row["OCV_V"]) for row in rows])


def test_a_pack_of_14s4p_cells():
    # pint 0.25.3 does the units: 4 × 3 Ah at 14 × 3.6 V, and IEC 80000-6's E = U Q, in joules.
    units = pint.UnitRegistry()
    expected = (14 * 3.6 * units.volt * 4 * 3.0 * units("ampere_hour")).to("joule").magnitude
    whole = pack.modules(14, 4, 4.2, 3.6, 2.5, 3.0, mass_kg=0.05)
    assert whole.energy_wh * 3600.0 == pytest.approx(expected, rel=1e-12)
    # The usual lithium-ion data-sheet cell, 3.6 V nominal and 4.2 V full (from memory): 14s is "52 V", 58.8 V full.
    assert whole.full_voltage_v == pytest.approx(58.8)
    assert whole.empty_voltage_v == pytest.approx(35.0)
    assert whole.mass_kg == pytest.approx(2.8)


def test_c_rate_is_the_reference_current():
    # IEC 61960-3: I_t is the rated capacity over 1 h, so 0.2 I_t of a 5 Ah cell is 1 A (the
    # cell of Chen et al. 2020 has 5.0 Ah, and its 1C current is 5.0 A).
    np.testing.assert_allclose(pack.c_rate([1.0, 5.0], 5.0), [0.2, 1.0], rtol=1e-15)


def test_margins_are_differences():
    # pint 0.25.3 on quantities of mixed prefixes.
    units = pint.UnitRegistry()
    volts = (60 * units.volt - 58800 * units.millivolt).to("volt").magnitude
    assert pack.voltage_margin_v(limit_v=60.0, voltage_v=58.8) == pytest.approx(volts)
    amperes = (0.15 * units.kiloampere - 120 * units.ampere).to("ampere").magnitude
    assert pack.current_margin_a(limit_a=150.0, current_a=120.0) == pytest.approx(amperes)


def test_d_c_resistance_of_a_step():
    # IEC 61960-3, d.c. method: R = (U1 − U2)/(I2 − I1), I1 = 0.2 I_t, I2 = 1.0 I_t; uncertainties 3.2.3
    # propagates the four readings.
    u1, i1 = uncertainties.ufloat(3.95, 0.004), uncertainties.ufloat(1.0, 0.02)
    u2, i2 = uncertainties.ufloat(3.83, 0.004), uncertainties.ufloat(5.0, 0.02)
    expected = (u1 - u2) / (i2 - i1)
    assert pack.internal_resistance_ohm(3.95, 1.0, 3.83, 5.0) == pytest.approx(expected.nominal_value, rel=1e-12)
    measured = pack.internal_resistance(3.95, 1.0, 3.83, 5.0, u_voltage_v=0.004, u_current_a=0.02)
    assert measured.value == pytest.approx(expected.nominal_value, rel=1e-12)
    assert measured.u == pytest.approx(expected.std_dev, rel=1e-9)


def test_regression_over_a_log():
    # scipy 1.17.1 linregress: slope, intercept and standard error of the slope.
    rng = np.random.default_rng(4)
    current_a = rng.uniform(0.0, 120.0, 200)
    voltage_v = 54.0 - 0.031 * current_a + rng.normal(0.0, 0.1, 200)
    expected = linregress(current_a, voltage_v)
    fit = pack.resistance_by_regression(voltage_v, current_a)
    assert fit.resistance_ohm == pytest.approx(-expected.slope, rel=1e-10)
    assert fit.u_resistance_ohm == pytest.approx(expected.stderr, rel=1e-10)
    assert fit.open_voltage_v == pytest.approx(expected.intercept, rel=1e-12)


def test_the_assumed_cell_is_the_published_one():
    charge, volts = chen2020()
    np.testing.assert_allclose(pack.ASSUMED_CELL_CURVE.state_of_charge, charge, atol=1e-12)
    np.testing.assert_allclose(pack.ASSUMED_CELL_CURVE.voltage_v, volts, atol=5e-7)
    np.testing.assert_allclose(pack.state_of_charge(volts, pack.CELL_CURVE), charge, atol=1e-5)


def test_state_of_charge_between_the_points():
    # scipy 1.17.1 interp1d on the published table.
    charge, volts = chen2020()
    rest = np.linspace(2.6, 4.15, 40)
    np.testing.assert_allclose(pack.state_of_charge(rest, pack.CELL_CURVE), interp1d(volts, charge)(rest), atol=1e-5)


def test_capacity_in_the_cold_is_a_straight_line():
    # Common practice, no source: the line is an assumption. numpy's interpolation between its two ends
    # (all at 25 °C; 1 − 50 × 0.8 % at −25 °C) draws the same line.
    temperature_c = np.linspace(-25.0, 25.0, 11)
    expected = np.interp(temperature_c, [-25.0, 25.0], [0.6 * 40.0, 40.0])
    np.testing.assert_allclose(pack.cold_capacity_ah(40.0, temperature_c, fraction_per_c=0.008), expected)
