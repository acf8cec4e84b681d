import numpy as np
import pytest

from calc import charging, fuses, wiring
from tests.calc.kernel_cases import CHECKS, Case

CASES = [
    Case(
        wiring.conductor_resistance_ohm,
        {"section_mm2": 10.0, "length_m": 3.0, "temperature_c": 40.0},
        edges=[{"section_mm2": 0.5}, {"section_mm2": 300.0}, {"length_m": 0.0}, {"temperature_c": -60.0}],
    ),
    Case(wiring.voltage_drop, {"current_a": 60.0, "resistance_ohm": 0.01}, edges=[{"current_a": 0.0}]),
    Case(
        wiring.voltage_drop_v,
        {"current_a": 60.0, "section_mm2": 10.0, "length_m": 6.0, "temperature_c": 70.0},
        edges=[{"current_a": 0.0}],
    ),
    Case(
        wiring.ampacity_a,
        {"section_mm2": 10.0, "ambient_c": 40.0, "insulation_c": 90.0},
        edges=[{"section_mm2": 1.5}, {"section_mm2": 120.0}, {"ambient_c": 65.0, "insulation_c": 70.0}],
    ),
    Case(fuses.fuse_protection, {"load_a": 40.0, "fuse_a": 50.0, "cable_a": 57.0}, edges=[{"load_a": 0.0}]),
    Case(fuses.overload_margin_a, {"fusing_a": 80.0, "cable_a": 57.0}),
    Case(fuses.fuse_longest_s, {"rating_a": 40.0, "current_a": 100.0}),
    Case(
        fuses.gg_fuse_longest_s, {"rating_a": 50.0, "current_a": 200.0}, edges=[{"rating_a": 16.0}, {"rating_a": 400.0}]
    ),
    Case(
        fuses.longest_opening_s,
        {"current_a": 100.0, "point_current_a": [54.0, 80.0, 140.0], "point_time_s": [600.0, 5.0, 0.5]},
    ),
    Case(wiring.adiabatic_limit_s, {"section_mm2": 10.0, "current_a": 2500.0, "k": 115.0}),
    Case(
        wiring.branch_currents_a,
        {"current_a": 90.0, "open_circuit_voltage_v": [50.0, 50.4], "resistance_ohm": [0.05, 0.1]},
        edges=[{"current_a": 0.0}],
    ),
    Case(
        wiring.terminal_voltage_v,
        {"open_circuit_voltage_v": 58.0, "resistance_ohm": 0.05, "current_a": -20.0},
        edges=[{"resistance_ohm": 0.0}],
    ),
    Case(charging.precharge, {"voltage_v": 60.0, "resistance_ohm": 100.0, "capacitance_uf": 1e4, "share": 0.95}),
    Case(
        charging.charge_times,
        {
            "capacity_ah": 10.0,
            "empty_voltage_v": 3.0,
            "full_voltage_v": 4.2,
            "resistance_ohm": 0.05,
            "current_a": 5.0,
            "start_fraction": 0.2,
            "stop_fraction": 0.1,
        },
        edges=[{"start_fraction": 1.0}, {"start_fraction": 0.99}],
    ),
]


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


def test_a_thicker_cable_resists_less_whatever_the_section():
    sections = np.linspace(0.5, 300.0, 2000)
    assert (np.diff(wiring.conductor_resistance_ohm(sections, 1.0, 20.0)) < 0).all()


def test_between_two_sections_a_cable_carries_what_the_thinner_does():
    assert wiring.ampacity_a(13.3) == wiring.ampacity_a(10.0)


def test_strings_share_a_current_and_unequal_ones_charge_each_other():
    currents = wiring.branch_currents_a(0.0, [52.0, 50.0], [0.05, 0.05])
    assert currents == pytest.approx([20.0, -20.0])


def test_a_fuse_is_never_slower_at_a_higher_current():
    for times in (
        fuses.fuse_longest_s(40.0, np.linspace(54.0, 400.0, 200)),
        fuses.gg_fuse_longest_s(50.0, np.linspace(80.0, 2000.0, 200)),
    ):
        assert (np.diff(times) <= 1e-12).all()


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: charging.charge_times(10.0, 4.2, 4.2, 0.05, 5.0), "above empty_voltage_v"),
        (lambda: wiring.branch_currents_a(1.0, [50.0], [0.1, 0.1]), "as long as"),
        (lambda: fuses.longest_opening_s(1.0, [50.0], [0.1, 0.1]), "as long as"),
        (lambda: fuses.longest_opening_s(1.0, [50.0, 40.0], [0.1, 0.1]), "must grow"),
    ],
)
def test_impossible_wirings_are_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
