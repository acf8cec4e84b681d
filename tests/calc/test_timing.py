import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc import timing
from tests.calc.kernel_cases import CHECKS, Case

CASES = [
    Case(
        timing.frame_clock_s,
        {"whole_s": 7.0, "frames": 10.0, "frames_per_s": 30.0},
        edges=[{"whole_s": 0.0, "frames": 0.0}, {"frames_per_s": 1e-6}],
    ),
    Case(timing.frame_duration_u_s, {"frames_per_s": 240.0}, edges=[{"frames_per_s": 1e-9}]),
    Case(timing.stopwatch_duration, {"start_s": 1.0, "stop_s": 8.5, "u_press_s": 0.1}, edges=[{"u_press_s": 0.0}]),
]


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


@given(
    whole=st.floats(0, 1e4),
    frames=st.floats(0, 1e4),
    rate=st.floats(1, 1e4),
    more=st.floats(0.001, 100),
)
def test_a_later_frame_is_never_an_earlier_time(whole, frames, rate, more):
    assert timing.frame_clock_s(whole, frames + more, rate) >= timing.frame_clock_s(whole, frames, rate)


def test_a_stop_before_the_start_is_refused_by_name():
    with pytest.raises(ValueError, match="stop_s must be after start_s"):
        timing.stopwatch_duration(start_s=5.0, stop_s=5.0)
