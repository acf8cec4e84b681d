import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc import drivetrain
from tests.calc.kernel_cases import CHECKS, Case

CASES = [
    Case(drivetrain.temperature_margin_c, {"limit_c": 110.0, "hottest_c": 85.0}, edges=[{"hottest_c": 130.0}]),
    Case(
        drivetrain.road_speed_mps,
        {"motor_speed_rpm": 3000.0, "drive_ratio": 6.0, "rolling_circumference_m": 2.05},
        edges=[{"motor_speed_rpm": 0.0}],
    ),
    Case(
        drivetrain.motor_speed_rpm,
        {"speed_mps": 17.0, "drive_ratio": 6.0, "rolling_circumference_m": 2.05},
        edges=[{"speed_mps": 0.0}],
    ),
    Case(
        drivetrain.no_load_speed_rpm, {"motor_constant_rpm_per_v": 75.0, "voltage_v": 50.0}, edges=[{"voltage_v": 0.0}]
    ),
    Case(
        drivetrain.drive_ratio_for_speed,
        {"motor_speed_rpm": 3000.0, "speed_mps": 17.0, "rolling_circumference_m": 2.05},
    ),
    Case(drivetrain.torque_constant_nm_per_a, {"motor_constant_rpm_per_v": 100.0}),
]


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


@given(rpm=st.floats(1, 1e5), ratio=st.floats(0.1, 50), circumference=st.floats(0.1, 5))
def test_speed_and_motor_speed_are_inverse(rpm, ratio, circumference):
    mps = drivetrain.road_speed_mps(rpm, ratio, circumference)
    assert drivetrain.motor_speed_rpm(mps, ratio, circumference) == pytest.approx(rpm)
    assert drivetrain.drive_ratio_for_speed(rpm, mps, circumference) == pytest.approx(ratio)
