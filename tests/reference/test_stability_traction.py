"""Tipping and grip against NHTSA figures, textbook examples and closed kinematics."""

import numpy as np
import pytest

from calc import stability, traction


@pytest.mark.parametrize(
    ("track", "height", "factor"), [(1.3208, 0.4987, 1.3242), (1.5316, 0.6444, 1.1884), (1.5342, 0.5395, 1.4219)]
)
def test_published_static_stability_factors(track, height, factor):
    # NHTSA Light Vehicle Inertia Parameter Database and NCAP rollover ratings: T, h and published SSF of three cars.
    assert stability.static_stability_factor(track, height) == pytest.approx(factor, abs=3e-4)


def test_three_contacts_by_moments():
    # Moments about the tip line through (0,0) and (L, T/2): arm a·sinθ over h·cosθ, tanθ = T/2L
    # (geometry of Huston, Graves and Johnson, SAE 820139, 1982).
    track, height, base, from_single = 1.2, 0.45, 1.8, 1.2
    angle = np.arctan2(track / 2, base)
    expected = from_single * np.sin(angle) / (height * np.cos(angle))
    assert stability.three_contact_threshold_g(track, height, base, from_single) == pytest.approx(expected)


def test_fastest_turn_kinematics():
    # v²/R = a: 0.88889 g at R = 15 m with g_n = 9.80665 m/s² (ISO 80000-3:2019) is 11.4348 m/s.
    turn = stability.fastest_turn(15.0, 0.888888889, 1.0)
    assert turn.speed_mps == pytest.approx(11.4348, abs=1e-4)
    assert turn.tips_first
    assert not stability.fastest_turn(15.0, 0.9, 0.1).tips_first


def test_centre_of_gravity_is_the_weighted_mean():
    # numpy 2.4, average.
    masses, x, z = [24.0, 8.2, 21.8, 78.0], [0.9, 0.25, 0.75, 0.8], [0.33, 0.3, 0.32, 0.7]
    centre = stability.centre_of_gravity(masses, x, z)
    assert centre.x_m == pytest.approx(np.average(x, weights=masses))
    assert centre.z_m == pytest.approx(np.average(z, weights=masses))


def test_changed_parts_move_what_was_measured_as_adding_it_all_up_again_does():
    # numpy 2.4, average of every part before and after: one is moved up, one taken off, one put on.
    before = {"frame": (60.0, 0.3), "pack": (21.8, 0.32), "brake": (3.1, 0.15), "motor": (8.2, 0.3)}
    after = {"frame": (60.0, 0.3), "pack": (21.8, 1.5), "motor": (8.2, 0.3), "fairing": (4.2, 0.55)}
    measured, expected = (
        np.average([z for _, z in parts.values()], weights=[mass for mass, _ in parts.values()])
        for parts in (before, after)
    )
    mass_kg = sum(mass for mass, _ in before.values())
    moved = stability.after_changes(mass_kg, measured, [-21.8, 21.8, -3.1, 4.2], [0.32, 1.5, 0.15, 0.55])
    assert moved.cg_height_m == pytest.approx(expected)
    assert moved.mass_kg == pytest.approx(sum(mass for mass, _ in after.values()))


def test_part_of_a_composite_body():
    # Hibbeler, Engineering Mechanics: Statics, 14th ed. (2016), section 9.2, composite bodies (from memory for the
    # section): z̄ = Σ z̃ W / Σ W, with what is cut away counted below zero. A plate of 10 kg balanced at 0.2 m, of
    # which 4 kg at 0.35 m are cut away, balances at (2.0 − 1.4) / 6 = 0.1 m.
    assert stability.after_changes(10.0, 0.2, [-4.0], [0.35]) == pytest.approx((6.0, 0.1))


def test_contact_loads_balance_moments():
    # Statics: moments about the centre of gravity vanish.
    loads = stability.contact_loads(180.0, 0.7, 1.6)
    assert loads.front_n * (1.6 - 0.7) == pytest.approx(loads.rear_n * 0.7)


def test_shift_of_one_part():
    # numpy 2.4, average before and after.
    before, after = np.average([0.5, 0.6], weights=[180, 20]), np.average([0.5, 0.3], weights=[180, 20])
    assert stability.shift_by_moving_a_part(20.0, 200.0, 0.0, -0.3).up_m == pytest.approx(after - before)


@pytest.mark.parametrize(
    ("friction", "kmh", "metres"),
    [(0.15, 50, 65.568172), (0.10, 30, 35.406813), (0.02, 30, 177.034065), (0.7, 50, 14.050323)],
)
def test_stopping_distance(friction, kmh, metres):
    # d = v²/(2 μ g_n), g_n = 9.80665 m/s² (ISO 80000-3:2019), worked by hand calculator.
    assert traction.stopping_distance_m(kmh / 3.6, friction) == pytest.approx(metres, abs=1e-5)


def test_textbook_stop_on_ice():
    # Zitzewitz, Merrill Physics (1995), p. 106: 14 m/s stops in 25.0 m, so μ = 0.400 (with g = 9.80 m/s²).
    assert traction.stopping_distance_m(14.0, 0.400) == pytest.approx(25.0, rel=1e-3)


def test_highway_rule():
    # US highway practice: d[ft] = V²[mph] / (30 μ). 20 mph at 0.10: 133.33 ft; the rule rounds g.
    feet = traction.stopping_distance_m(20 * 0.44704, 0.10) / 0.3048
    assert feet == pytest.approx(133.33, rel=5e-3)


def test_grip_and_grade():
    # OpenStax College Physics, 5.1: friction = μ N; on the steepest slope tan φ = μ.
    assert traction.tractive_limit_n(1000.0, 0.15) == pytest.approx(150.0)
    assert np.degrees(np.arctan(traction.climbable_grade(1.0))) == pytest.approx(45.0)
