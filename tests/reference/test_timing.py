"""Frame clocks against published frame intervals and an independent uncertainty library."""

import pytest
import uncertainties

from calc import speed, timing


def test_seven_seconds_ten_frames_over_100_m_is_49_1_kmh():
    # Common practice, no source: the worked figure builders quote for 7 s + 10 frames at 30 frames/s.
    duration_s = timing.frame_clock_s(whole_s=7, frames=10, frames_per_s=30)
    kmh = speed.gate_speed(distance_m=100.0, duration_s=duration_s).value * 3.6
    assert round(kmh, 1) == 49.1


def test_ntsc_rate_is_not_thirty():
    # SMPTE ST 12-1: "29.97" is 30000/1001 frames/s; 300 frames last 10.01 s exactly.
    assert timing.frame_clock_s(whole_s=0, frames=300, frames_per_s=30000 / 1001) == pytest.approx(10.01, abs=1e-12)


@pytest.mark.parametrize(
    ("frames_per_s", "u_s"),
    [(24, 0.01701035), (25, 0.01632993), (30, 0.01360828), (60, 0.00680414), (240, 0.00170103)],
)
def test_two_event_uncertainty(frames_per_s, u_s):
    # JCGM 100:2008 4.3.7/F.2.2.1: one event has u = 1/(r√12). Combined by uncertainties 3.2.3, which
    # knows nothing of triangular limits; the table's digits were computed with that library.
    one_event = uncertainties.ufloat(0, 1 / frames_per_s / 12**0.5)
    other_event = uncertainties.ufloat(0, 1 / frames_per_s / 12**0.5)
    assert timing.frame_duration_u_s(frames_per_s) == pytest.approx((one_event - other_event).std_dev, rel=1e-12)
    assert timing.frame_duration_u_s(frames_per_s) == pytest.approx(u_s, abs=5e-9)


def test_stopwatch_presses_combine_in_quadrature():
    # uncertainties 3.2.3, linear propagation of two independent presses.
    expected = uncertainties.ufloat(9.5, 0.1) - uncertainties.ufloat(2.0, 0.1)
    measured = timing.stopwatch_duration(start_s=2.0, stop_s=9.5, u_press_s=0.1)
    assert measured.value == pytest.approx(expected.nominal_value)
    assert measured.u == pytest.approx(expected.std_dev)
