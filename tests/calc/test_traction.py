import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc import traction
from tests.calc.kernel_cases import CHECKS, Case

CASES = [
    Case(traction.tractive_limit_n, {"load_n": 500.0, "friction": 0.1}, edges=[{"load_n": 0.0}]),
    Case(
        traction.stopping_distance_m,
        {"speed_mps": 10.0, "friction": 0.1, "reaction_s": 1.0},
        edges=[{"speed_mps": 0.0}, {"reaction_s": 0.0}],
    ),
    Case(traction.climbable_grade, {"friction": 0.1, "driven_share": 0.5}, edges=[{"driven_share": 1.0}]),
]


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


@given(mps=st.floats(0.1, 40), friction=st.floats(0.005, 1))
def test_twice_the_speed_is_four_times_the_way(mps, friction):
    once = traction.stopping_distance_m(mps, friction)
    assert traction.stopping_distance_m(2 * mps, friction) == pytest.approx(4 * once)


def test_more_than_all_the_weight_cannot_be_driven():
    with pytest.raises(ValueError, match="driven_share must be at most 1"):
        traction.climbable_grade(0.1, driven_share=1.2)


def test_friction_is_a_range_with_a_source():
    for row in traction.FRICTION_RANGES:
        assert 0 < row.low < row.high
        assert row.source
