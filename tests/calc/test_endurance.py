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
        {"energy_left_wh": 1000.0, "usable_energy_wh": 2000.0, "reserve_fraction": 0.2, "consumption_wh_per_km": 40.0},
        edges=[{"energy_left_wh": 0.0}, {"reserve_fraction": 0.0}],
    ),
    Case(
        endurance.remaining_range,
        {
            "energy_left_wh": 1000.0,
            "usable_energy_wh": 2000.0,
            "reserve_fraction": 0.2,
            "consumption_wh_per_km": 40.0,
            "u_energy_left_wh": 30.0,
            "u_consumption_wh_per_km": 1.0,
            "energy_consumption_correlation": -0.5,
        },
        edges=[{"energy_left_wh": 0.0}, {"energy_consumption_correlation": 1.0}],
    ),
    Case(
        endurance.runtime_s,
        {"energy_left_wh": 1000.0, "usable_energy_wh": 2000.0, "reserve_fraction": 0.2, "mean_power_w": 900.0},
        edges=[{"energy_left_wh": 0.0}],
    ),
    Case(
        endurance.turn_back_distance_m,
        {
            "energy_left_wh": 1000.0,
            "usable_energy_wh": 2000.0,
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
            "usable_energy_wh": 2000.0,
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
    full=st.floats(1e4, 2e4),
    reserve=st.floats(0, 0.9),
    out=st.floats(5, 100),
    home=st.floats(5, 100),
    far=st.floats(0, 1e4),
)
def test_out_and_home_use_exactly_what_may_be_used(left, full, reserve, out, home, far):
    farther_m = endurance.turn_back_distance_m(left, full, reserve, out, home, far)
    used_wh = (farther_m * out + (farther_m + far) * home) / 1000
    may_wh = left - reserve * full
    assert used_wh == pytest.approx(may_wh) if farther_m > 0 else far * home / 1000 >= may_wh - 1e-9


def test_too_far_out_already_is_zero_not_negative():
    assert endurance.turn_back_distance_m(100.0, 100.0, 0.2, 40.0, 40.0, 10_000.0) == 0.0


@given(full=st.floats(100, 1e4), charge=st.floats(0, 1), reserve=st.floats(0, 0.9), rate=st.floats(5, 3000))
def test_no_kernel_spends_the_reserve_of_the_full_pack(full, charge, reserve, rate):
    """At a charge no higher than the reserve nothing is left to spend; above it, no more than what lies above."""
    left = charge * full
    above_wh = max(0.0, left - reserve * full)
    assert endurance.remaining_energy_wh(full, full - left, reserve) == pytest.approx(above_wh, abs=1e-6)
    assert endurance.remaining_range_m(left, full, reserve, rate) * rate / 1000 == pytest.approx(above_wh, abs=1e-6)
    assert endurance.remaining_range(left, full, reserve, rate).value * rate / 1000 == pytest.approx(above_wh, abs=1e-6)
    assert endurance.runtime_s(left, full, reserve, rate) * rate / 3600 == pytest.approx(above_wh, abs=1e-6)
    for turn in (
        endurance.turn_back_distance_m(left, full, reserve, rate, rate),
        endurance.turn_back_distance(left, full, reserve, rate, rate).value,
    ):
        assert 2 * turn * rate / 1000 == pytest.approx(above_wh, abs=1e-6)
    assert endurance.home_margin_wh(left, full, reserve, rate, 0.0) == pytest.approx(left - reserve * full, abs=1e-6)
