"""Packs against a published cell and general-purpose libraries."""

import numpy as np
import pytest
from scipy import stats
from uncertainties import ufloat

from calc import pack


def test_fourteen_in_series_four_parallel():
    # Kirchhoff: 14 × 3.6 V, 14 × 4.2 V, 4 × 3.0 Ah; IEC 80000-6:2022 for Wh.
    whole = pack.modules(14, 4, 4.2, 3.6, 2.5, 3.0, mass_kg=0.045)
    assert whole.full_voltage_v == pytest.approx(58.8)
    assert whole.nominal_voltage_v == pytest.approx(50.4)
    assert whole.capacity_ah == pytest.approx(12.0)
    assert whole.energy_wh == pytest.approx(604.8)
    assert whole.mass_kg == pytest.approx(56 * 0.045)


@pytest.mark.parametrize(("charge", "volts"), [(0.2, 3.485189), (0.5, 3.750874), (0.9, 4.096656)])
def test_rest_voltage_of_a_published_cell(charge, volts):
    # Chen et al., J. Electrochem. Soc. 167 (2020) 080534, evaluated with pybamm 26.10.1.1.
    assert pack.state_of_charge(volts, pack.CELL_CURVE) == pytest.approx(charge, abs=1e-6)


def test_state_of_charge_is_linear_interpolation():
    # numpy 2.4, interp.
    charges, volts = pack.CELL_CURVE
    assert pack.state_of_charge(3.9, pack.CELL_CURVE) == pytest.approx(np.interp(3.9, volts, charges))


def test_resistance_step():
    # IEC 61960-3, R = (U1 − U2)/(I2 − I1) with 0.2 and 1.0 times the reference current of a 5 Ah cell.
    assert pack.internal_resistance_ohm(4.10, 1.0, 3.98, 5.0) == pytest.approx(0.030)
    expected = (ufloat(4.10, 0.002) - ufloat(3.98, 0.002)) / 4.0  # uncertainties 3.2.3
    assert pack.internal_resistance(4.10, 1.0, 3.98, 5.0, 0.002).u == pytest.approx(expected.std_dev)


def test_resistance_regression():
    # scipy 1.17, linregress.
    amperes = np.array([0.0, 20.0, 40.0, 60.0, 80.0])
    volts = np.array([52.1, 51.5, 51.2, 50.6, 50.1])
    expected = stats.linregress(amperes, volts)
    fit = pack.resistance_by_regression(volts, amperes)
    assert fit.resistance_ohm == pytest.approx(-expected.slope)
    assert fit.u_resistance_ohm == pytest.approx(expected.stderr)
    assert fit.open_circuit_voltage_v == pytest.approx(expected.intercept)


def test_c_rate_of_the_reference_current():
    # IEC 61960-3: the reference test current of a 5 Ah cell is 5 A, 1 C.
    assert pack.c_rate(5.0, 5.0) == 1.0


def test_margins_are_differences():
    # Definition; 20 cells at 4.2 V are 84 V, 24 V above a 60 V limit.
    assert pack.voltage_margin_v(60.0, 84.0) == pytest.approx(-24.0)
    assert pack.current_margin_a(100.0, 75.0) == 25.0


def test_cold_capacity_assumption():
    # Common practice, no source: half a per cent for each degree below 25 °C leaves 80 % at −15 °C.
    assert pack.cold_capacity_ah(100.0, -15.0, 0.005) == pytest.approx(80.0)
    assert pack.cold_capacity_ah(100.0, 40.0, 0.005) == 100.0
