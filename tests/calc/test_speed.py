import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc import speed
from tests.calc.kernel_cases import CHECKS, Case

CASES = [
    Case(
        speed.gate_speed,
        {"distance_m": 100.0, "duration_s": 5.0, "u_distance_m": 0.02, "u_duration_s": 0.01},
        edges=[{"u_distance_m": 0.0, "u_duration_s": 0.0}, {"distance_m": 1e-9}],
    ),
    Case(
        speed.two_way_mean,
        {"out_mps": 14.0, "back_mps": 12.0, "u_out_mps": 0.1, "u_back_mps": 0.1},
        edges=[{"u_out_mps": 0.0}],
    ),
    Case(
        speed.two_way_mean_of_times,
        {"distance_m": 100.0, "out_s": 7.0, "back_s": 8.0, "u_distance_m": 0.1, "u_duration_s": 0.1},
        edges=[{"u_duration_s": 0.0}],
    ),
    Case(speed.wheel_slip, {"wheel_speed_mps": 10.0, "ground_speed_mps": 9.0}, edges=[{"ground_speed_mps": 0.0}]),
    Case(
        speed.split_profile,
        {"position_m": [0.0, 50.0, 100.0], "time_s": [0.0, 5.0, 9.0], "u_time_s": 0.01},
        edges=[{"u_time_s": 0.0}],
    ),
    Case(
        speed.peak_speed_bounds,
        {"distance_m": 100.0, "duration_s": 8.0, "highest_acceleration_mps2": 1.0},
        edges=[{"highest_acceleration_mps2": 0.0}],
    ),
    Case(
        speed.sight_line_u_m,
        {"camera_distance_m": 40.0, "camera_offset_m": 5.0, "u_line_m": 1.0},
        edges=[{"camera_offset_m": 0.0}],
    ),
]


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


@given(distance=st.floats(1, 1e4), duration=st.floats(0.1, 1e4), scale=st.floats(0.1, 10))
def test_speed_scales_with_distance_and_against_time(distance, duration, scale):
    plain = speed.gate_speed(distance, duration).value
    assert speed.gate_speed(scale * distance, duration).value == pytest.approx(scale * plain)
    assert speed.gate_speed(distance, scale * duration).value == pytest.approx(plain / scale)


@given(out=st.floats(1, 100), back=st.floats(1, 100))
def test_the_mean_of_speeds_is_never_below_the_speed_over_mean_time(out, back):
    of_times = speed.two_way_mean_of_times(100.0, 100.0 / out, 100.0 / back).value
    assert speed.two_way_mean(out, back).value >= of_times - 1e-9


@given(entry=st.floats(2, 30), gain=st.floats(-0.2, 2))
def test_a_steady_acceleration_is_found_again(entry, gain):
    # Exact kinematics: x = v0 t + a t²/2.
    times = [0.0, 1.0, 2.0, 3.0, 4.0]
    profile = speed.split_profile([entry * t + gain * t * t / 2 for t in times], times)
    assert profile.entry_mps == pytest.approx(entry)
    assert profile.exit_mps == pytest.approx(entry + 4 * gain)


@pytest.mark.parametrize(
    ("positions", "times", "words"),
    [
        ([0.0, 1.0], [0.0, 1.0], "at least 3"),
        ([0.0, 2.0, 1.0], [0.0, 1.0, 2.0], "position_m must grow"),
        ([0.0, 1.0, 2.0], [0.0, 1.0, 1.0], "time_s must grow"),
        ([0.0, 1.0, 2.0], [0.0, 1.0], "at least 3"),
    ],
)
def test_a_profile_needs_three_growing_marks(positions, times, words):
    with pytest.raises(ValueError, match=words):
        speed.split_profile(positions, times)
