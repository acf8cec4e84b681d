"""Cables, fuses and charging against standards' tables, printed examples and a solver."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from calc import charging, drivetrain, fuses, wiring


@pytest.mark.parametrize(
    ("section", "ohm_per_km"),
    # IEC 60228:2004, Table 3, class 5, plain copper, highest at 20 °C, as tabulated by etechnik-synergie.com
    # ("Conductor resistance", from DIN VDE 0295, IEC 60228 and HD 383) and two other pages that agree.
    [(0.5, 39.0), (0.75, 26.0), (1, 19.5), (1.5, 13.3), (2.5, 7.98), (4, 4.95), (6, 3.30), (10, 1.91), (16, 1.21),
     (25, 0.780), (35, 0.554), (50, 0.386), (70, 0.272), (95, 0.206), (120, 0.161), (150, 0.129), (185, 0.106),
     (240, 0.0801), (300, 0.0641)],
)  # fmt: skip
def test_conductor_resistances_are_the_standards(section, ohm_per_km):
    assert wiring.conductor_resistance_ohm(section, 1000.0, 20.0) == pytest.approx(ohm_per_km, rel=1e-9)


@pytest.mark.parametrize(("temperature", "factor"), [(0, 0.9214), (40, 1.0786), (70, 1.1965), (90, 1.2750)])
def test_copper_resists_more_when_warm(temperature, factor):
    # (234.5 + t)/254.5, copper: IEC 60949 and the correction of IEC 60228.
    ratio = wiring.conductor_resistance_ohm(10, 1, temperature) / wiring.conductor_resistance_ohm(10, 1, 20)
    assert ratio == pytest.approx(factor, abs=5e-5)


def test_voltage_drop_by_hand():
    # 2 × 3 m of 10 mm² class 5 (1.91 Ω/km) at 60 A: 0.6876 V and 41.256 W at 20 °C, 0.8227 V at 70 °C, by hand.
    assert wiring.voltage_drop_v(60.0, 10.0, 6.0, 20.0) == pytest.approx(0.6876, abs=1e-9)
    assert wiring.voltage_drop_v(60.0, 10.0, 6.0, 70.0) == pytest.approx(0.82271, abs=1e-4)
    drop = wiring.voltage_drop(60.0, wiring.conductor_resistance_ohm(10.0, 6.0, 20.0))
    assert drop.lost_w == pytest.approx(41.256, abs=1e-6)


@pytest.mark.parametrize(
    ("section", "at_30", "at_40", "at_50"), [(4, 32, 28, 23), (6, 41, 36, 29), (10, 57, 50, 40), (25, 96, 84, 68)]
)
def test_ampacity_is_the_tables(section, at_30, at_40, at_50):
    # IEC 60364-5-52, PVC 70 °C, three loaded, method C, as tabulated in Atlas Copco GA 7 VSD instruction book
    # 2920 7104 10, p. 90; 40 °C and 50 °C there are the factors 0.87 and 0.71, rounded to whole amperes.
    assert wiring.ampacity_a(section, 30.0) == at_30
    assert wiring.ampacity_a(section, 40.0) == pytest.approx(at_40, abs=0.9)
    assert wiring.ampacity_a(section, 50.0) == pytest.approx(at_50, abs=0.9)


def test_other_insulation_stays_below_the_standards_own_table():
    # Atlas Copco GA 45+ instruction book 2920 7109 51, p. 164: single cores in free air, 25 mm² at 90 °C carry 135 A.
    assert wiring.ampacity_a(25.0, 30.0, 90.0) < 135.0


@pytest.mark.parametrize(
    ("current", "time", "k", "section"),
    [(2500, 0.1, 115, 6.8745), (1000, 0.4, 115, 5.4996), (1000, 0.4, 143, 4.4228), (3000, 0.1, 115, 8.2494)],
)
def test_adiabatic_limit(current, time, k, section):
    # S = √(I² t)/k, BS 7671 543.1.3; the first is a printed example (6.9 mm²), the others arithmetic.
    assert wiring.adiabatic_limit_s(section, current, k) == pytest.approx(time, rel=1e-4)


@pytest.mark.parametrize(("share", "longest"), [(1.35, 600.0), (2.0, 5.0), (3.5, 0.5), (6.0, 0.15), (9.0, 0.15)])
def test_blade_fuse(share, longest):
    # Blade fuse data sheet of 2022, p. 3, rows of 35 to 40 A, which names ISO 8820-3.
    assert fuses.fuse_longest_s(40.0, 40.0 * share) == pytest.approx(longest)
    assert np.isinf(fuses.fuse_longest_s(40.0, 40.0))


@pytest.mark.parametrize(
    ("rating", "points"),
    # Mean time-current points of one maker's NH fuses of the class gG, as (current [A], time [s]) in the standard
    # types of pandapower 3.5.6 (BSD licence), read there from the maker's curves.
    [
        (16, ((35, 400), (75, 2), (150, 0.1))),
        (25, ((100, 10), (210, 0.2))),
        (50, ((200, 40), (300, 4), (400, 1))),
        (63, ((200, 100), (300, 10), (400, 2))),
        (80, ((250, 120), (450, 7), (1150, 0.1))),
        (100, ((250, 400), (430, 20), (900, 1), (1250, 0.2))),
        (125, ((400, 120), (740, 7), (2000, 0.1))),
        (160, ((500, 120), (900, 7), (2300, 0.1))),
        (200, ((650, 120), (1200, 7), (3000, 0.1))),
        (250, ((800, 120), (1650, 7), (4000, 0.1))),
        (315, ((920, 120), (1900, 7), (5000, 0.1))),
        (400, ((1350, 120), (2800, 7), (6500, 0.1))),
    ],
)
def test_a_gg_fuse_of_a_maker_opens_within_the_longest_time(rating, points):
    for current, mean_s in points:
        longest_s = fuses.gg_fuse_longest_s(float(rating), float(current))
        assert mean_s <= longest_s
    # Nor is the table slower than those fuses by far: from half as much current more it says no more than 5 s.
    within_5_s = [current for current, mean_s in points if mean_s <= 5]
    assert all(fuses.gg_fuse_longest_s(float(rating), 1.5 * current) <= 5.0 for current in within_5_s)


def test_conventional_currents_of_gg():
    # IEC 60269-1 as quoted by viox.com, "IEC 60269 low voltage fuse selection guide", and elektro.info.pl: a gG fuse
    # above 16 A does not open at 1.25 I_n and surely opens at 1.6 I_n in 1 h up to 63 A, 2 h up to 160 A.
    assert np.isinf(fuses.gg_fuse_longest_s(50.0, 1.25 * 50.0))
    assert fuses.gg_fuse_longest_s(50.0, 80.0) == pytest.approx(3600.0)
    assert fuses.gg_fuse_longest_s(100.0, 160.0) == pytest.approx(7200.0)
    # IEC 60364-4-43, 433.1: I_2 = 80 A against 1.45 times the 57 A of 10 mm² holds, against 41 A of 6 mm² does not.
    assert fuses.overload_margin_a(fuses.fusing_current_a("gg", 50.0), 57.0) == pytest.approx(2.65)
    assert fuses.overload_margin_a(fuses.fusing_current_a("gg", 50.0), 41.0) < 0


def test_a_motor_stands_its_peak_for_its_time_only():
    # IEC 60034-1, S2: a short-time rating with its time; above the peak no time is stated.
    times = drivetrain.rated_time_s(np.array([3000.0, 3001.0, 5000.0, 5001.0]), 3000.0, 5000.0, 20.0)
    assert times.tolist() == [np.inf, 20.0, 20.0, 0.0]


def test_a_fuse_lies_between_load_and_cable():
    # IEC 60364-4-43, 433.1: I_B ≤ I_n ≤ I_z. 48 A load, 50 A fuse, 41 A cable (6 mm²): the cable burns first.
    assert fuses.fuse_protection(48.0, 50.0, 41.0) == (2.0, -9.0)


def test_charging_against_a_solver():
    # scipy 1.17, solve_ivp: OCV 3.0 + 0.12 q, 0.05 Ω, 5 A to 4.2 V, stop at 0.5 A: 1.583333 h and 0.959410 h.
    charge = charging.charge_times(10.0, 3.0, 4.2, 0.05, 5.0)

    def current(q):
        return min(5.0, (4.2 - (3.0 + 0.12 * q)) / 0.05)

    def done(_, q):
        return current(q[0]) - 0.5

    done.terminal = True
    solved = solve_ivp(lambda _, q: [current(q[0])], (0, 10), [0.0], events=done, rtol=1e-9, atol=1e-9)
    assert charge.total_s / 3600 == pytest.approx(solved.t[-1], abs=1e-5)
    assert charge.charge_ah == pytest.approx(solved.y[0, -1], abs=1e-5)


def test_branch_currents_against_a_node_equation():
    # numpy 2.4, linalg.solve of Kirchhoff's two laws.
    volts, ohms = np.array([50.0, 49.5, 50.2]), np.array([0.05, 0.08, 0.1])
    matrix = np.block([[np.diag(ohms), np.ones((3, 1))], [np.ones((1, 3)), np.zeros((1, 1))]])
    expected = np.linalg.solve(matrix, [*volts, 120.0])[:3]
    assert wiring.branch_currents_a(120.0, volts, ohms) == pytest.approx(expected)


def test_precharge_against_its_differential_equation():
    # scipy 1.17, solve_ivp of C dU/dt = (U₀ − U)/R: 95 % after 2.996 R C.
    filled = charging.precharge(58.8, 100.0, 2200.0)
    solved = solve_ivp(lambda _, u: [(58.8 - u[0]) / (100.0 * 2200e-6)], (0, filled.time_s), [0.0], rtol=1e-10)
    assert solved.y[0, -1] == pytest.approx(0.95 * 58.8, rel=1e-6)
    assert filled.energy_j == pytest.approx(0.5 * 2200e-6 * 58.8**2)
