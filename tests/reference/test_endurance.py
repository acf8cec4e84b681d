"""Range and runtime by energy balance, uncertainties by the library uncertainties 3.2.3."""

import pytest
from uncertainties import ufloat

from calc import endurance


def test_range_and_its_uncertainty():
    # A reserve of a fifth of a pack of 2000 Wh, which is exactly known here.
    expected = (ufloat(1000.0, 40.0) - 0.2 * 2000.0) / ufloat(40.0, 2.0) * 1000
    measured = endurance.remaining_range(1000.0, 2000.0, 0.2, 40.0, 40.0, 2.0)
    assert (measured.value, measured.u) == pytest.approx((expected.nominal_value, expected.std_dev))
    assert endurance.remaining_range_m(1000.0, 2000.0, 0.2, 40.0) == pytest.approx(expected.nominal_value)


def test_range_when_one_counter_gave_what_is_left_and_the_consumption():
    # uncertainties 3.2.3: 2000 Wh, less 1000 Wh by a counter that is wrong by 5 %, over 20 km.
    used = ufloat(1000.0, 50.0)
    left, per_km = 2000.0 - used, used / 20.0
    expected = (left - 400.0) / per_km * 1000
    measured = endurance.remaining_range(1000.0, 2000.0, 0.2, 50.0, left.std_dev, per_km.std_dev, -1.0)
    assert (measured.value, measured.u) == pytest.approx((expected.nominal_value, expected.std_dev))


def test_runtime_from_watt_hours():
    # NIST SP 811 (2008), B.8: 1 Wh = 3600 J; 1000 Wh at 900 W with a tenth of a 2000 Wh pack kept.
    assert endurance.runtime_s(1000.0, 2000.0, 0.1, 900.0) == pytest.approx((1000 - 200) * 3600 / 900)


def test_at_a_fifth_of_the_charge_a_reserve_of_a_fifth_is_all_there_is():
    # Definition: the reserve of a 2419.2 Wh pack is 483.84 Wh, whatever is left.
    left = 0.2 * 2419.2
    assert endurance.runtime_s(left, 2419.2, 0.2, 2117.0) == pytest.approx(0.0, abs=1e-6)
    assert endurance.remaining_range_m(left, 2419.2, 0.2, 55.0) == pytest.approx(0.0, abs=1e-6)
    assert endurance.turn_back_distance_m(left, 2419.2, 0.2, 55.0, 55.0) == pytest.approx(0.0, abs=1e-6)
    assert endurance.remaining_energy_wh(2419.2, 2419.2 - left, 0.2) == pytest.approx(0.0, abs=1e-6)


def test_energy_left_is_a_difference():
    # Definition.
    assert endurance.energy_left_wh(2000.0, 750.0) == 1250.0
    assert endurance.energy_left_wh(2000.0, 2500.0) == 0.0


def test_turn_back_with_wind_home():
    # Energy balance by hand: 10 km out at 35 Wh/km and 10 km home at 45 Wh/km take 800 Wh.
    assert endurance.turn_back_distance_m(1000.0, 1000.0, 0.2, 35.0, 45.0) == pytest.approx(10_000.0)
    # Two kilometres out already: 800 − 2·45 = 710 Wh for another 8875 m both ways.
    assert endurance.turn_back_distance_m(1000.0, 1000.0, 0.2, 35.0, 45.0, 2000.0) == pytest.approx(8875.0)
    # The same left in a pack of twice the size: 1000 − 400 = 600 Wh over 80 Wh/km.
    assert endurance.turn_back_distance_m(1000.0, 2000.0, 0.2, 35.0, 45.0) == pytest.approx(7500.0)


def test_turn_back_uncertainty():
    expected = (ufloat(1000.0, 40.0) - 200.0) / (ufloat(35.0, 2.0) + ufloat(45.0, 3.0)) * 1000
    measured = endurance.turn_back_distance(1000.0, 1000.0, 0.2, 35.0, 45.0, 40.0, 2.0, 3.0)
    assert (measured.value, measured.u) == pytest.approx((expected.nominal_value, expected.std_dev))
