"""Energy that may still be spent, and turning back when some way out already."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc import endurance
from tests.calc.kernel_cases import Case, check_bad_numbers, check_edges, check_faces_agree, check_wrong_unit

OUT = {
    "energy_left_wh": 1000.0,
    "usable_energy_wh": 2000.0,
    "reserve_fraction": 0.2,
    "consumption_out_wh_per_km": 35.0,
    "consumption_home_wh_per_km": 45.0,
    "u_energy_left_wh": 30.0,
    "u_consumption_out_wh_per_km": 1.0,
    "u_consumption_home_wh_per_km": 1.5,
    "distance_from_home_m": 4000.0,
    "consumption_correlation": 0.5,
    "energy_consumption_correlation": -0.3,
}
CASES = [
    Case(
        endurance.remaining_energy_wh,
        {"usable_energy_wh": 2000.0, "used_energy_wh": 500.0, "reserve_fraction": 0.2},
        edges=[{"used_energy_wh": 0.0}, {"used_energy_wh": 3000.0}, {"reserve_fraction": 0.0}],
    ),
    Case(
        endurance.home_margin_wh,
        {
            "energy_left_wh": 500.0,
            "usable_energy_wh": 2000.0,
            "reserve_fraction": 0.2,
            "consumption_home_wh_per_km": 45.0,
            "distance_from_home_m": 5000.0,
        },
        edges=[{"energy_left_wh": 0.0}, {"distance_from_home_m": 0.0}, {"reserve_fraction": 0.0}],
    ),
    Case(
        endurance.turn_back_distance,
        OUT,
        edges=[
            {"consumption_correlation": 1.0},
            {"consumption_correlation": -1.0},
            {"energy_consumption_correlation": 1.0},
            {"energy_left_wh": 0.0},
            {"distance_from_home_m": 1e6},
            {"reserve_fraction": 0.0},
        ],
    ),
]


@pytest.mark.parametrize("check", [check_wrong_unit, check_bad_numbers, check_edges, check_faces_agree])
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


energies = st.floats(1.0, 1e4)
reserves = st.floats(0.0, 0.9)
consumptions = st.floats(5.0, 100.0)
FULL_WH = 1e4


@given(left=energies, reserve=reserves, home=consumptions, far=st.floats(0.0, 3e5))
def test_home_is_out_of_reach_only_where_the_margin_is_negative(left, reserve, home, far):
    margin_wh = endurance.home_margin_wh(left, FULL_WH, reserve, home, far)
    farther_m = endurance.turn_back_distance_m(left, FULL_WH, reserve, 30.0, home, far)
    assert (farther_m > 0.0) == (margin_wh > 0.0)


@given(usable=energies, used=energies, reserve=reserves, consumption=consumptions)
def test_what_may_be_spent_is_what_the_range_is_made_of(usable, used, reserve, consumption):
    spent_wh = endurance.remaining_energy_wh(usable, used, reserve)
    left_wh = endurance.energy_left_wh(usable, used)
    range_m = endurance.remaining_range_m(left_wh, usable, reserve, consumption)
    assert range_m == pytest.approx(1000.0 * spent_wh / consumption)
    runtime_s = endurance.runtime_s(left_wh, usable, reserve, consumption)
    assert runtime_s == pytest.approx(3600.0 * spent_wh / consumption)


@given(left=energies, reserve=reserves, consumption=consumptions, relative=st.floats(0.001, 0.2))
def test_one_consumption_both_ways_is_as_uncertain_as_itself(left, reserve, consumption, relative):
    # Out and back at one consumption is half the range, so its relative uncertainty is the range's.
    u = relative * consumption
    turn = endurance.turn_back_distance(
        left, FULL_WH, reserve, consumption, consumption, 30.0, u, u,
        consumption_correlation=1.0, energy_consumption_correlation=-0.4,
    )  # fmt: skip
    whole = endurance.remaining_range(left, FULL_WH, reserve, consumption, 30.0, u, -0.4)
    assert turn.value == pytest.approx(whole.value / 2)
    assert turn.u == pytest.approx(whole.u / 2)


@given(out=consumptions, home=consumptions, nearer=st.floats(0.0, 1e4), more=st.floats(0.0, 1e4))
def test_farther_from_home_there_is_never_more_way_to_go(out, home, nearer, more):
    far_m = np.array([nearer, nearer + more])
    here, there = endurance.turn_back_distance_m(1000.0, 1000.0, 0.2, out, home, far_m)
    assert there <= here


def test_too_far_out_the_margin_says_by_how_much():
    assert endurance.turn_back_distance_m(500.0, 500.0, 0.2, 45.0, 45.0, 10_000.0) == 0.0
    assert endurance.home_margin_wh(500.0, 500.0, 0.2, 45.0, 10_000.0) == pytest.approx(-50.0)


def test_uncertainties_of_many_at_once():
    turn = endurance.turn_back_distance(**{**OUT, "energy_left_wh": np.array([500.0, 1000.0, 2000.0])})
    item = endurance.turn_back_distance(**OUT)
    assert turn.value[1] == pytest.approx(item.value)
    assert turn.u[1] == pytest.approx(item.u)
