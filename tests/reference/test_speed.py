"""Speeds against uncertainties 3.2.3 and statsmodels 0.15.0."""

import numpy as np
import pytest
import statsmodels.api as sm
from uncertainties import ufloat

from calc import speed


def test_gate_speed_propagation():
    # uncertainties 3.2.3: 100.0 ± 0.02 m over 5.000 s with u(t) of two events at 60 frames/s.
    expected = ufloat(100.0, 0.02) / ufloat(5.0, 0.00680414)
    measured = speed.gate_speed(100.0, 5.0, 0.02, 0.00680414)
    assert measured.value == pytest.approx(expected.nominal_value)
    assert measured.u == pytest.approx(expected.std_dev, rel=1e-6)
    # The same example written out with JCGM 100:2008, 5.1.6: u(v) = 0.0275089 m/s.
    assert measured.u == pytest.approx(0.0275089, abs=5e-8)


def test_two_way_means():
    # uncertainties 3.2.3.
    out, back = ufloat(14.2, 0.3), ufloat(12.9, 0.2)
    expected = (out + back) / 2
    measured = speed.two_way_mean(14.2, 12.9, 0.3, 0.2)
    assert (measured.value, measured.u) == pytest.approx((expected.nominal_value, expected.std_dev))
    length, first, second = ufloat(100.0, 0.1), ufloat(7.0, 0.05), ufloat(8.0, 0.05)
    expected = 2 * length / (first + second)
    measured = speed.two_way_mean_of_times(100.0, 7.0, 8.0, 0.1, 0.05)
    assert (measured.value, measured.u) == pytest.approx((expected.nominal_value, expected.std_dev))


def test_split_profile_is_ordinary_least_squares():
    # statsmodels 0.15.0 OLS without intercept on t and t²/2, five marks with scatter.
    positions = np.array([0.0, 25.0, 50.0, 75.0, 100.0])
    times = np.array([0.0, 1.93, 3.72, 5.41, 6.98])
    design = np.column_stack([times, times**2 / 2])[1:]
    expected = sm.OLS(positions[1:], design).fit()
    profile = speed.split_profile(positions, times)
    assert (profile.entry_mps, profile.acceleration_mps2) == pytest.approx(tuple(expected.params))
    assert profile.exit_mps == pytest.approx(expected.params @ [1.0, times[-1]])


def test_split_profile_timing_uncertainty():
    # uncertainties 3.2.3 through the closed solution of three marks: x = v0 t + a t²/2 at two times.
    first, second, third = (ufloat(value, 0.02) for value in (0.0, 5.0, 9.0))
    t1, t2 = second - first, third - first
    acceleration = 2 * (100 / t2 - 50 / t1) / (t2 - t1)
    entry = 50 / t1 - acceleration * t1 / 2
    exit_speed = entry + acceleration * t2
    profile = speed.split_profile([0.0, 50.0, 100.0], [0.0, 5.0, 9.0], u_time_s=0.02)
    assert profile.entry_mps == pytest.approx(entry.nominal_value)
    assert profile.u_entry_mps == pytest.approx(entry.std_dev)
    assert profile.u_acceleration_mps2 == pytest.approx(acceleration.std_dev)
    assert profile.u_exit_mps == pytest.approx(exit_speed.std_dev)


def test_peak_bounds_by_kinematics():
    # v² = u² + 2 a s and s = (u+v)/2 · t: steady acceleration 0.5 m/s² over 100 m in 8 s ends at 14.5 m/s.
    bounds = speed.peak_speed_bounds(100.0, 8.0, 0.5)
    entry = bounds.highest_mps - 0.5 * 8.0
    assert (entry + bounds.highest_mps) / 2 * 8.0 == pytest.approx(100.0)
    assert bounds.highest_mps**2 == pytest.approx(entry**2 + 2 * 0.5 * 100.0)


def test_wheel_slip_definition():
    # SAE J670 (2008): a wheel turning 20 % faster than the ground passes has slip 1/6 of its own speed.
    assert speed.wheel_slip(12.0, 10.0) == pytest.approx(1 / 6)


def test_sight_line_by_geometry():
    # uncertainties 3.2.3: the crossing seen from a camera at (b, -D) when the vehicle is d off its line.
    off_line = ufloat(0.0, 0.8)
    shift = 12.0 * off_line / 40.0
    assert speed.sight_line_u_m(40.0, 12.0, 0.8) == pytest.approx(shift.std_dev)
