"""Voltages and temperatures beside their limits: when something is said, and what."""

import numpy as np
import pytest

from calc import voltage_limits
from calc.alarms import cut_off_alarm, highest_alarm, temperature_alarm
from tests.calc.kernel_cases import CHECKS, Case

CASES = [
    Case(voltage_limits.voltage_state, {"limit_v": 84.0, "voltage_v": 80.0}, edges=[{"voltage_v": 0.0}]),
    Case(voltage_limits.is_cut_off, {"cut_off_v": 60.0, "voltage_v": 58.8}, edges=[{"voltage_v": 0.0}]),
]


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


@pytest.mark.parametrize(
    ("volts", "measured", "state"),
    [
        (82.31, True, voltage_limits.WITHIN),
        (82.32, True, voltage_limits.NEAR),  # 98 % of 84 V
        (83.9, True, voltage_limits.NEAR),
        (84.0, True, voltage_limits.OVER),
        (86.2, True, voltage_limits.OVER),
        (82.32, False, voltage_limits.NEAR),
        (84.0, False, voltage_limits.NEAR),
        (84.1, False, voltage_limits.OVER),
    ],
)
def test_at_the_limit_a_measured_voltage_is_over_and_a_data_sheets_is_near(volts, measured, state):
    assert voltage_limits.voltage_state(84.0, volts, measured) == state


@pytest.mark.parametrize(("series", "module_v"), [(14, 4.2), (3, 19.6), (7, 8.4)])
def test_a_pack_that_adds_up_to_the_limit_is_at_it_whatever_the_binary_digits(series, module_v):
    """14 × 4.2 V is 58.8 V in decimal, and 58.800000000000004 V in binary (IEEE 754-2019)."""
    assert voltage_limits.voltage_state(58.8, series * module_v, measured=False) == voltage_limits.NEAR
    assert voltage_limits.voltage_state(58.8, series * module_v, measured=True) == voltage_limits.OVER
    assert voltage_limits.is_cut_off(58.8, series * module_v) == 1.0


def test_many_voltages_at_once_are_each_alone():
    volts, measured = np.array([80.0, 84.0, 84.0]), np.array([True, True, False])
    assert voltage_limits.voltage_state(84.0, volts, measured).tolist() == [0.0, 2.0, 1.0]


def test_what_is_said_names_both_voltages_and_what_had_the_higher():
    over = highest_alarm("controller", 84.0, 86.2, "the pack at rest before the ride", True)
    assert (over.word, over.is_over) == ("over", True)
    assert over.sentence.startswith(
        "The pack at rest before the ride had 86.2 V; the limit of the controller is 84 V. Too much voltage can destroy"
    )
    near = highest_alarm("motor", 60.0, 59.1, "the full pack", False)
    assert (near.word, near.is_over) == ("near the limit", False)
    assert "59.1 V, within 2 % of the limit of 60 V" in near.sentence
    exactly = highest_alarm("controller", 84.0, 84.0, "the full pack", False)
    assert (exactly.word, exactly.is_over) == ("at the limit", False)
    assert "has 84 V, exactly the limit of 84 V" in exactly.sentence
    assert highest_alarm("controller", 84.0, 82.0, "the full pack", False) is None


def test_a_pack_that_does_not_wake_the_controller():
    alarm = cut_off_alarm(60.0, 58.8, "the full pack", False)
    assert (alarm.word, alarm.is_over) == ("too low", True)
    assert cut_off_alarm(60.0, 60.1, "the full pack", False) is None


@pytest.mark.parametrize(
    ("given", "title"),
    [
        ({"limit_c": 60.0, "reached_c": 71.0}, "Hotter than the battery may be."),
        ({"limit_c": 60.0, "reached_c": 60.0}, None),
        ({"limit_c": -20.0, "reached_c": -21.0, "highest": False}, "Colder than the battery may be."),
        ({"limit_c": -20.0, "reached_c": 3.0, "highest": False}, None),
        (
            {"limit_c": 0.0, "reached_c": -4.0, "highest": False, "charged": True},
            "Colder than the battery may be while it is charged.",
        ),
    ],
)
def test_temperatures_beyond_their_limit(given, title):
    alarm = temperature_alarm("battery", **given)
    assert (alarm and alarm.title) == title
