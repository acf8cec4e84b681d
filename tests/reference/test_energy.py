"""Charge and energy against a published cell model's discharge, numpy 2.4, scipy 1.17 and uncertainties 3.2.3."""

from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad
from uncertainties import ufloat

from calc import energy


@pytest.fixture(scope="module")
def discharge():
    # pybamm 26.10.1.1, DFN, Chen2020 parameters (J. Electrochem. Soc. 167 (2020) 080534), 1C: 20 s output.
    path = Path(__file__).parent / "data" / "pybamm_discharge.csv"
    return np.loadtxt(path, delimiter=",", skiprows=1).T


def test_discharge_of_a_modelled_cell(discharge):
    time_s, current_a, voltage_v, charge_ah, energy_wh = discharge
    # The model integrates with its own equations: 4.99193023498 Ah and 17.5050926881 Wh.
    assert energy.charge_ah(time_s, current_a) == pytest.approx(4.99193023498, rel=1e-7)
    assert energy.energy_wh(time_s, voltage_v, current_a) == pytest.approx(17.5050926881, rel=1e-5)
    for at in (45, 90, 135):
        rows = slice(0, at + 1)
        assert energy.charge_ah(time_s[rows], current_a[rows]) == pytest.approx(charge_ah[at], abs=2e-6)
        assert energy.energy_wh(time_s[rows], voltage_v[rows], current_a[rows]) == pytest.approx(
            energy_wh[at], rel=1e-4
        )


def test_same_as_numpy_trapezoid(discharge):
    # numpy 2.4, trapezoid.
    time_s, current_a, voltage_v, *_ = discharge
    assert energy.energy_wh(time_s, voltage_v, current_a) == pytest.approx(
        np.trapezoid(voltage_v * current_a, time_s) / 3600
    )


def test_regeneration_is_split_at_the_crossing():
    # scipy 1.17, quad of the positive and negative part of the same broken line.
    times, currents = [0.0, 60.0, 100.0, 160.0], [20.0, -10.0, 30.0, 5.0]
    totals = energy.log_totals(times, [50.0] * 4, currents)
    up = quad(lambda t: max(0.0, np.interp(t, times, currents)), 0, 160, points=[40, 60, 70, 100], limit=200)[0] / 3600
    down = quad(lambda t: max(0.0, -np.interp(t, times, currents)), 0, 160, points=[40, 60, 70], limit=200)[0] / 3600
    assert totals.discharged_ah == pytest.approx(up, rel=1e-6)
    assert totals.regenerated_ah == pytest.approx(down, rel=1e-6)
    assert totals.returned_wh == pytest.approx(50.0 * down, rel=1e-6)


def test_charge_times_voltage():
    # IEC 80000-6:2022: 1 Ah = 3600 C; 14 cells of 3.6 V with 12 Ah hold 604.8 Wh. uncertainties 3.2.3 for u.
    expected = ufloat(12.0, 0.2) * ufloat(50.4, 0.5)
    measured = energy.energy_from_charge(12.0, 50.4, 0.2, 0.5)
    assert measured.value == pytest.approx(604.8)
    assert measured.u == pytest.approx(expected.std_dev)


def test_meter_resolution():
    # JCGM 100:2008, F.2.2.1: a display step δ has u = 0.29 δ.
    assert energy.energy_from_meter(500.0, 0.0, resolution_wh=10.0).u == pytest.approx(2.9, abs=0.02)


def test_per_distance():
    # uncertainties 3.2.3; NIST SP 811 (2008), B.8: 1 mile = 1609.344 m.
    expected = ufloat(400.0, 8.0) / ufloat(16.09344, 0.1)
    measured = energy.energy_per_distance(400.0, 16093.44, 8.0, 100.0)
    assert (measured.value, measured.u) == pytest.approx((expected.nominal_value, expected.std_dev))
    assert energy.energy_per_distance_wh_per_km(400.0, 16093.44) == pytest.approx(40.0 / 1.609344)
