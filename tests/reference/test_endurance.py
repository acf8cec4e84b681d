"""Range and runtime by energy balance, uncertainties by the library uncertainties 3.2.3."""

import pytest
from uncertainties import ufloat

from calc import endurance


def test_range_and_its_uncertainty():
    expected = ufloat(1000.0, 40.0) * (1 - 0.2) / ufloat(40.0, 2.0) * 1000
    measured = endurance.remaining_range(1000.0, 0.2, 40.0, 40.0, 2.0)
    assert (measured.value, measured.u) == pytest.approx((expected.nominal_value, expected.std_dev))
    assert endurance.remaining_range_m(1000.0, 0.2, 40.0) == pytest.approx(expected.nominal_value)


def test_runtime_from_watt_hours():
    # NIST SP 811 (2008), B.8: 1 Wh = 3600 J; 1000 Wh at 900 W with a tenth kept last an hour.
    assert endurance.runtime_s(1000.0, 0.1, 900.0) == pytest.approx(1000 * 3600 * 0.9 / 900)


def test_energy_left_is_a_difference():
    # Definition.
    assert endurance.energy_left_wh(2000.0, 750.0) == 1250.0
    assert endurance.energy_left_wh(2000.0, 2500.0) == 0.0


def test_turn_back_with_wind_home():
    # Energy balance by hand: 10 km out at 35 Wh/km and 10 km home at 45 Wh/km take 800 Wh.
    assert endurance.turn_back_distance_m(1000.0, 0.2, 35.0, 45.0) == pytest.approx(10_000.0)
    # Two kilometres out already: 800 − 2·45 = 710 Wh for another 8875 m both ways.
    assert endurance.turn_back_distance_m(1000.0, 0.2, 35.0, 45.0, 2000.0) == pytest.approx(8875.0)


def test_turn_back_uncertainty():
    expected = ufloat(1000.0, 40.0) * 0.8 / (ufloat(35.0, 2.0) + ufloat(45.0, 3.0)) * 1000
    measured = endurance.turn_back_distance(1000.0, 0.2, 35.0, 45.0, 40.0, 2.0, 3.0)
    assert (measured.value, measured.u) == pytest.approx((expected.nominal_value, expected.std_dev))
