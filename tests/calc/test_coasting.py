"""Coasting and top speed for many machines at once, and how far the fits may be believed."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from calc import coast_down, least_squares, road_load
from tests.calc.kernel_cases import Case, check_bad_numbers, check_edges, check_faces_agree, check_wrong_unit

LOADS = {"a_n": np.array([50.0, 60.0]), "b_n_per_mps": np.array([0.0, 1.0]), "c_n_per_mps2": np.array([0.4, 0.0])}
CASES = [
    Case(
        road_load.coast_down_time_s,
        {"mass_kg": 200.0, **LOADS, "from_mps": np.array([15.0, 12.0]), "to_mps": 5.0},
        edges=[{"to_mps": np.array([0.0, 5.0])}, {"mass_kg": np.array([150.0, 250.0])}],
    ),
    Case(
        road_load.top_speed_mps,
        {"power_w": np.array([1000.0, 4000.0]), **LOADS},
        edges=[{"a_n": np.array([0.0, 60.0])}, {"power_w": np.array([1e-6, 1e7])}],
    ),
    Case(
        road_load.consumption_wh_per_km,
        {"speed_mps": 10.0, "a_n": 50.0, "b_n_per_mps": 1.0, "c_n_per_mps2": 0.4, "efficiency": 0.8},
        edges=[{"efficiency": 1.0}, {"speed_mps": 0.0}],
    ),
    Case(
        road_load.fit_steady_speed,
        {"speed_mps": [5.0, 10.0, 15.0], "power_w": [300.0, 900.0, 2100.0], "efficiency": 0.8},
        edges=[{"efficiency": 1.0}],
    ),
    Case(
        coast_down.fit_coast_downs,
        {
            "time_s": np.tile(np.arange(0.0, 7.0), 2),
            "speed_mps": np.tile([14.0, 13.0, 12.1, 11.2, 10.4, 9.6, 8.9], 2) - np.repeat([0.0, 0.3], 7),
            "run": np.repeat([0, 1], 7),
            "is_back": [False, False],
            "mass_kg": 200.0,
        },
    ),
]


@pytest.mark.parametrize("check", [check_wrong_unit, check_bad_numbers, check_edges, check_faces_agree])
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


parts = {"a": st.floats(1.0, 300.0), "b": st.floats(0.0, 20.0), "c": st.floats(0.0, 2.0)}


@given(**parts, high=st.floats(10.0, 40.0), middle=st.floats(5.0, 9.0), low=st.floats(0.0, 4.0))
def test_coasting_in_two_legs_takes_as_long_as_in_one(a, b, c, high, middle, low):
    def leg(start, end):
        return road_load.coast_down_time_s(200.0, a, b, c, start, end)

    assert leg(high, middle) + leg(middle, low) == pytest.approx(leg(high, low), rel=1e-9)


@given(**parts, more=st.floats(0.1, 100.0))
def test_more_to_hold_it_back_is_a_shorter_coast_and_a_lower_top_speed(a, b, c, more):
    held = np.array([a, a + more])
    longer_s, shorter_s = road_load.coast_down_time_s(200.0, held, b, c, 15.0, 5.0)
    assert shorter_s < longer_s
    faster_mps, slower_mps = road_load.top_speed_mps(2000.0, held, b, c)
    assert slower_mps < faster_mps


@given(b=st.floats(1.0, 20.0), c=st.floats(0.01, 2.0), nearly=st.floats(-1e-9, 1e-9))
def test_nothing_jumps_where_the_closed_form_changes_branch(b, c, nearly):
    # At B² = 4AC the integral is 2 m Δv / middle exactly; an arc tangent taken at each end loses digits there.
    a = b * b / (4 * c)
    exact_s = 200.0 * (1 / (2 * c * 5.0 + b) - 1 / (2 * c * 15.0 + b)) * 2
    assert road_load.coast_down_time_s(200.0, a * (1 + nearly), b, c, 15.0, 5.0) == pytest.approx(exact_s, rel=1e-7)


@given(power=st.floats(1.0, 1e5), a=st.floats(0.0, 500.0), b=st.floats(0.0, 20.0), c=st.floats(0.0, 2.0))
def test_top_speed_uses_up_the_power_whatever_part_is_missing(power, a, b, c):
    assume(a > 0.01 or b > 0.01 or c > 0.01)
    speed_mps = road_load.top_speed_mps(power, a, b, c)
    assert (a + b * speed_mps + c * speed_mps**2) * speed_mps == pytest.approx(power, rel=1e-9)


def test_many_coasts_at_once_as_one_by_one():
    a, b, c = np.array([50.0, 50.0, 20.0, 0.0]), np.array([0.0, 1.0, 9.0, 0.0]), np.array([0.0, 0.4, 0.4, 0.5])
    at_once = road_load.coast_down_time_s(180.0, a, b, c, 15.0, 3.0)
    separately = [
        road_load.coast_down_time_s(180.0, *load, 15.0, 3.0)
        for load in zip(a.tolist(), b.tolist(), c.tolist(), strict=True)
    ]
    np.testing.assert_allclose(at_once, separately, rtol=1e-14)


def test_one_machine_of_many_that_nothing_holds_back_is_refused():
    with pytest.raises(ValueError, match="nothing holds"):
        road_load.coast_down_time_s(180.0, np.array([50.0, 0.0]), 0.0, 0.0, 15.0, 3.0)
    with pytest.raises(ValueError, match="never stops"):
        road_load.coast_down_time_s(180.0, np.array([50.0, 0.0]), 0.0, 0.4, 15.0, 0.0)
    with pytest.raises(ValueError, match="nothing holds"):
        road_load.top_speed_mps(1000.0, np.array([50.0, 0.0]), 0.0, 0.0)


def test_an_efficiency_above_one_is_refused_with_its_true_limit():
    with pytest.raises(ValueError, match=r"efficiency must be above 0 and at most 1, got 1\.01"):
        road_load.consumption_wh_per_km(10.0, 50.0, 1.0, 0.4, efficiency=1.01)


def test_too_short_a_coast_and_one_speed_over_and_over_are_refused():
    with pytest.raises(ValueError, match="run 0 needs 5 samples or more, got 3"):
        coast_down.fit_coast_downs([0.0, 1.0, 2.0], [12.0, 11.0, 10.0], [0, 0, 0], [False], 200.0)
    with pytest.raises(ValueError, match="run must name the runs of is_back"):
        coast_down.fit_coast_downs(np.arange(5.0), np.arange(5.0) + 3, [0] * 5, [], 200.0)
    with pytest.raises(ValueError, match="must grow from sample to sample of a run"):
        coast_down.fit_coast_downs([0.0, 1.0, 1.0, 2.0, 3.0], [9.0, 8, 7, 6, 5], [0] * 5, [False], 200.0)
    with pytest.raises(ValueError, match="speed_mps needs more than 1 different values"):
        road_load.fit_steady_speed([10.0, 10.0, 10.0], [800.0, 820.0, 790.0])


def test_the_fits_are_the_same_through_both_doors():
    assert road_load.fit_steady_speed is least_squares.fit_steady_speed
    assert road_load.polynomial_fit is least_squares.polynomial_fit
