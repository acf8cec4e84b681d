"""Rides laid over each other by distance, against closed forms."""

import numpy as np
import pytest

from calc import pass_overlay
from tests.calc.kernel_cases import CHECKS, Case

CASES = [
    Case(
        pass_overlay.ride_over_distance,
        {"time_s": [0.0, 5.0, 10.0], "speed_mps": [8.0, 8.0, 8.0], "length_m": 80.0, "distance_m": [0.0, 40.0]},
    ),
]


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


def test_a_steady_and_a_speeding_ride():
    """s = v₀ t + a t²/2 from 6 m/s at 0.5 m/s² over 100 m, against a steady 10 m/s (from memory)."""
    end_s = (-6 + np.sqrt(36 + 100)) / 0.5
    times = np.linspace(0.0, end_s, 400)
    distances = np.linspace(0.0, 100.0, 21)
    ride = pass_overlay.ride_over_distance(times, 6 + 0.5 * times, 100.0, distances)
    assert ride.time_s == pytest.approx((-6 + np.sqrt(36 + distances)) / 0.5, abs=2e-4)
    assert ride.speed_mps == pytest.approx(np.sqrt(36 + distances), abs=2e-3)
    steady = pass_overlay.ride_over_distance([0.0, 10.0], [10.0, 10.0], 100.0, distances)
    assert (ride.time_s - steady.time_s)[-1] == pytest.approx(end_s - 10.0)
    # A speed that is 3 % off in its scale gives the same picture of the way.
    off = pass_overlay.ride_over_distance(times, 1.03 * (6 + 0.5 * times), 100.0, distances)
    assert off.time_s == pytest.approx(ride.time_s)


def test_a_ride_that_nearly_stops_is_not_compared():
    with pytest.raises(ValueError, match=r"at least 0\.5 m/s all the way"):
        pass_overlay.ride_over_distance([0.0, 1.0, 2.0], [5.0, 0.1, 5.0], 10.0, [5.0])
