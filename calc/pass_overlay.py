"""Two rides through one stretch laid over each other by distance: where one gained time on the other."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from calc.declaration import Number, kernel, not_negative, positive

SLOWEST_MPS = 0.5
"""Below this a time over distance grows without bound; a ride that nearly stops is not compared."""


class RideOverDistance(NamedTuple):
    """Speed [m/s] and time since the begin [s] at each distance."""

    speed_mps: Any
    time_s: Any


@kernel(
    title="A ride over its distance",
    formula="s(t) = L · ∫₀ᵗ v dt / ∫₀ᵀ v dt;  v and t at s by straight lines;  Δt(s) = t₂(s) − t₁(s)",
    source="Kinematics; trapezoidal rule. The distance is scaled to the stretch's own length, because its ends are "
    "known and a speed's scale is not.",
    time_s=not_negative(),
    speed_mps=not_negative(),
    length_m=positive(),
    distance_m=not_negative(),
)
def ride_over_distance(time_s: Number, speed_mps: Number, length_m: float, distance_m: Number) -> RideOverDistance:
    """Speed and time of one ride at given distances from the begin of a stretch.

    Parameters
    ----------
    time_s: growing times since the begin, from 0 to the end of the stretch, 1-D array [s].
    speed_mps: speed at each, same length [m/s].
    length_m: how long the stretch is [m], above 0.
    distance_m: distances from its begin, from 0 to length_m [m].

    Returns
    -------
    RideOverDistance.

    Raises
    ------
    ValueError: lengths differ, times do not grow, or it nearly stopped.

    Examples
    --------
    >>> ride = ride_over_distance([0.0, 5.0, 10.0], [8.0, 8.0, 8.0], 80.0, [0.0, 40.0, 80.0])
    >>> ride.time_s.tolist(), ride.speed_mps.tolist()
    ([0.0, 5.0, 10.0], [8.0, 8.0, 8.0])
    """
    times, speeds = np.atleast_1d(time_s), np.atleast_1d(speed_mps)
    if times.shape != speeds.shape or times.size < 2:
        raise ValueError(f"speed_mps must be as long as time_s ({times.size}) and have 2 values or more")
    steps = np.diff(times)
    if (steps <= 0).any():
        raise ValueError("time_s must grow from sample to sample")
    if float(speeds.min()) < SLOWEST_MPS:
        raise ValueError(f"speed_mps must be at least {SLOWEST_MPS:g} m/s all the way, got {float(speeds.min()):g} m/s")
    way = np.append(0.0, np.cumsum(steps * (speeds[1:] + speeds[:-1]) / 2))
    along = way * (length_m / way[-1])
    wanted = np.atleast_1d(distance_m)
    return RideOverDistance(np.interp(wanted, along, speeds), np.interp(wanted, along, times))
