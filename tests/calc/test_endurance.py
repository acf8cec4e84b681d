import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc import endurance
from tests.calc.kernel_cases import CHECKS, Case

CASES = [
    Case(
        endurance.energy_left_wh,
        {"usable_energy_wh": 2000.0, "used_energy_wh": 500.0},
        edges=[{"used_energy_wh": 5000.0}],
    ),
    Case(
        endurance.remaining_range_m,
        {"energy_left_wh": 1000.0, "reserve_fraction": 0.2, "consumption_wh_per_km": 40.0},
        edges=[{"energy_left_wh": 0.0}, {"reserve_fraction": 0.0}],
    ),
    Case(
        endurance.remaining_range,
        {
            "energy_left_wh": 1000.0,
            "reserve_fraction": 0.2,
            "consumption_wh_per_km": 40.0,
            "u_energy_left_wh": 30.0,
            "u_consumption_wh_per_km": 1.0,
        },
    ),
    Case(
        endurance.runtime_s,
        {"energy_left_wh": 1000.0, "reserve_fraction": 0.2, "mean_power_w": 900.0},
        edges=[{"energy_left_wh": 0.0}],
    ),
    Case(
        endurance.turn_back_distance_m,
        {
            "energy_left_wh": 1000.0,
            "reserve_fraction": 0.2,
            "consumption_out_wh_per_km": 35.0,
            "consumption_home_wh_per_km": 45.0,
            "distance_from_home_m": 1000.0,
        },
        edges=[{"distance_from_home_m": 1e6}, {"energy_left_wh": 0.0}],
    ),
    Case(
        endurance.turn_back_distance,
        {
            "energy_left_wh": 1000.0,
            "reserve_fraction": 0.2,
            "consumption_out_wh_per_km": 35.0,
            "consumption_home_wh_per_km": 45.0,
            "u_energy_left_wh": 30.0,
            "u_consumption_out_wh_per_km": 1.0,
            "u_consumption_home_wh_per_km": 1.0,
        },
    ),
]


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


@given(
    left=st.floats(1, 1e4),
    reserve=st.floats(0, 0.9),
    out=st.floats(5, 100),
    home=st.floats(5, 100),
    far=st.floats(0, 1e4),
)
def test_out_and_home_use_exactly_what_may_be_used(left, reserve, out, home, far):
    farther_m = endurance.turn_back_distance_m(left, reserve, out, home, far)
    used_wh = (farther_m * out + (farther_m + far) * home) / 1000
    may_wh = left * (1 - reserve)
    assert used_wh == pytest.approx(may_wh) if farther_m > 0 else far * home / 1000 >= may_wh - 1e-9


def test_too_far_out_already_is_zero_not_negative():
    assert endurance.turn_back_distance_m(100.0, 0.2, 40.0, 40.0, 10_000.0) == 0.0
