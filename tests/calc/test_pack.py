import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calc import pack
from calc.pack import StateOfChargeCurve
from tests.calc.kernel_cases import Case, check_bad_numbers, check_edges, check_faces_agree, check_wrong_unit

MODULE = {"full_voltage_v": 4.2, "nominal_voltage_v": 3.6, "empty_voltage_v": 2.5, "capacity_ah": 3.0, "mass_kg": 0.045}
STEP = {"voltage_1_v": 52.0, "current_1_a": 10.0, "voltage_2_v": 50.0, "current_2_a": 100.0}
CASES = [
    Case(
        pack.modules,
        {"series": 14.0, "parallel": 4.0, **MODULE},
        edges=[{"mass_kg": 0.0}, {"nominal_voltage_v": 4.2}, {"empty_voltage_v": 3.6}],
    ),
    Case(pack.c_rate, {"current_a": 60.0, "capacity_ah": 12.0}, edges=[{"current_a": 0.0}, {"current_a": -20.0}]),
    Case(pack.voltage_margin_v, {"limit_v": 60.0, "voltage_v": 58.8}, edges=[{"voltage_v": 0.0}]),
    Case(pack.current_margin_a, {"limit_a": 150.0, "current_a": 120.0}, edges=[{"current_a": 0.0}]),
    Case(pack.internal_resistance_ohm, STEP, edges=[{"voltage_2_v": 0.0}, {"current_1_a": -5.0}]),
    Case(
        pack.internal_resistance,
        {**STEP, "u_voltage_v": 0.05, "u_current_a": 0.5},
        edges=[{"u_voltage_v": 0.0, "u_current_a": 0.0}],
    ),
    Case(
        pack.resistance_by_regression,
        {"voltage_v": np.array([52.0, 51.1, 49.9, 49.0]), "current_a": np.array([0.0, 50.0, 100.0, 150.0])},
        edges=[{"voltage_v": np.array([52.0, 52.0, 52.0, 52.0])}],
    ),
    Case(
        pack.state_of_charge,
        {"rest_voltage_v": 3.7, "curve": pack.CELL_CURVE},
        edges=[{"rest_voltage_v": 2.5}, {"rest_voltage_v": np.array([2.5, 4.2])}],
    ),
    Case(
        pack.cold_capacity_ah,
        {"capacity_ah": 40.0, "temperature_c": -15.0, "fraction_per_c": 0.005, "reference_c": 25.0},
        edges=[{"temperature_c": -60.0}, {"temperature_c": 80.0}, {"fraction_per_c": 0.0}],
    ),
]


@pytest.mark.parametrize("check", [check_wrong_unit, check_bad_numbers, check_edges, check_faces_agree])
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


@settings(max_examples=50)
@given(lower=st.floats(2.5, 4.2), higher=st.floats(2.5, 4.2))
def test_a_higher_rest_voltage_is_never_less_charge(lower, higher):
    lower, higher = sorted((lower, higher))
    charge = pack.state_of_charge(np.array([lower, higher]), pack.CELL_CURVE)
    assert 0.0 <= charge[0] <= charge[1] <= 1.0


@settings(max_examples=50)
@given(
    resistance=st.floats(0.001, 1.0), open_v=st.floats(200.0, 400.0), first=st.floats(0, 50), step=st.floats(1.0, 100.0)
)
def test_two_readings_of_a_known_resistance_give_it_back(resistance, open_v, first, step):
    readings = [open_v - resistance * first, first, open_v - resistance * (first + step), first + step]
    assert pack.internal_resistance_ohm(*readings) == pytest.approx(resistance, rel=1e-9)


@settings(max_examples=50)
@given(series=st.integers(1, 30), parallel=st.integers(1, 20))
def test_energy_counts_modules_and_not_how_they_are_wired(series, parallel):
    wired = pack.modules(series, parallel, **MODULE)
    turned = pack.modules(parallel, series, **MODULE)
    assert wired.energy_wh == pytest.approx(turned.energy_wh)
    assert wired.mass_kg == pytest.approx(turned.mass_kg)
    assert wired.full_voltage_v == pytest.approx(series * 4.2)


def test_packs_are_worked_out_for_many_modules_at_once():
    packs = pack.modules(np.array([10.0, 13.0, 20.0]), 1.0, **{**MODULE, "nominal_voltage_v": 3.7})
    np.testing.assert_allclose(packs.full_voltage_v, [42.0, 54.6, 84.0])
    np.testing.assert_allclose(packs.nominal_voltage_v, [37.0, 48.1, 74.0])


def test_a_full_voltage_below_the_nominal_is_refused():
    with pytest.raises(ValueError, match=r"full_voltage_v.*must fall in that order.*3\.0, 3\.6 and 2\.5 V"):
        pack.modules(14, 4, full_voltage_v=3.0, nominal_voltage_v=3.6, empty_voltage_v=2.5, capacity_ah=3.0)


def test_a_margin_over_the_limit_is_negative():
    assert pack.voltage_margin_v(limit_v=60.0, voltage_v=67.2) == pytest.approx(-7.2)
    assert pack.current_margin_a(limit_a=100.0, current_a=130.0) == pytest.approx(-30.0)


def test_equal_currents_give_no_resistance():
    with pytest.raises(ValueError, match="current_2_a must differ from current_1_a"):
        pack.internal_resistance_ohm(52.0, 10.0, 51.0, 10.0)
    with pytest.raises(ValueError, match="current_2_a must differ"):
        pack.internal_resistance(np.array([52.0, 52.0]), 10.0, 51.0, np.array([20.0, 10.0]), u_voltage_v=0.1)


@pytest.mark.parametrize("count", range(3, 12))
def test_one_current_over_and_over_gives_no_resistance(count):
    # The mean of equal binary fractions need not be that fraction; the check must not lean on it.
    with pytest.raises(ValueError, match=r"current_a must hold different currents, got only 0\.1 A"):
        pack.resistance_by_regression(np.linspace(50.0, 51.0, count), [0.1] * count)


def test_readings_of_different_number_or_too_few_are_refused():
    with pytest.raises(ValueError, match="at least 3 readings each, got 2 and 2"):
        pack.resistance_by_regression([52.0, 51.0], [0.0, 50.0])
    with pytest.raises(ValueError, match="got 3 and 4"):
        pack.resistance_by_regression([52.0, 51.0, 50.0], [0.0, 50.0, 100.0, 150.0])


@pytest.mark.parametrize("volts", [2.47, 4.25, 12.8])
def test_a_voltage_outside_the_curve_is_refused_not_clamped(volts):
    with pytest.raises(ValueError, match=rf"rest_voltage_v must lie in the curve, 2\.5 V to 4\.2 V, got {volts:g} V"):
        pack.state_of_charge(np.array([3.7, volts]), pack.CELL_CURVE)


def test_a_voltmeters_error_past_the_end_gives_the_end():
    np.testing.assert_array_equal(pack.state_of_charge(np.array([2.48, 4.22]), pack.CELL_CURVE), [0.0, 1.0])


@pytest.mark.parametrize(
    "curve",
    [
        ((0.0, 1.0), (3.0,)),
        ((0.5,), (3.5,)),
        ((0.0, 0.5, 1.0), (3.0, 3.9, 3.8)),
        ((0.0, 0.5, 0.5), (3.0, 3.5, 4.2)),
        ((0.0, 50.0, 100.0), (3.0, 3.5, 4.2)),
        ((0.0, math.nan, 1.0), (3.0, 3.5, 4.2)),
        ((0.0, 0.5, 1.0), (3.0, math.nan, 4.2)),
    ],
)
def test_a_curve_that_is_none_is_refused(curve):
    with pytest.raises(ValueError, match="curve must"):
        pack.state_of_charge(3.6, StateOfChargeCurve(*curve))


def test_cold_never_takes_more_than_everything_and_warmth_gives_nothing():
    capacity = pack.cold_capacity_ah(40.0, np.array([-60.0, 25.0, 60.0]), fraction_per_c=0.02)
    np.testing.assert_array_equal(capacity, [0.0, 40.0, 40.0])
