"""Rides through a gate that begin from rest on its first mark, found by the receiver's own speed.

Positions alone cannot tell when such a ride begins: they wander by metres, and a machine that gains 1 m/s² needs 2 to
3 s for as much. The receiver's speed tells it to about a step of the track.
"""

from __future__ import annotations

import itertools
from typing import Any, NamedTuple

import numpy as np

REST_MPS = 0.7
"""Slower than this a machine stands, as far as a receiver tells. All figures here: common practice, no source."""
REST_S = 3.0
"""So long it stood before it began."""
NEAREST_M = 3.0
"""A machine stands on a mark that is nearer than this, or than 2.5 times the uncertainty of both their places."""
NEAR_IN_U = 2.5
WIDEST_M = 12.0
"""How far beside the line through the marks a ride may lie, and how far its path may be from the gate's length."""


class StandingStart(NamedTuple):
    """A ride from rest on the first mark to the last, in the order ridden.

    rest, last: the last row at rest and the first behind the last mark. mark_s: the first movement, and when the path
    since then is as long as the tape to each further mark. u_began_s: of the first movement, by the step alone.
    """

    is_out: bool
    rest: int
    last: int
    mark_s: list[float]
    u_began_s: float


class SpeedTrack(NamedTuple):
    """A track along a gate with the receiver's speed: rows, and after each row whether the path breaks."""

    times: Any
    along: Any
    aside: Any
    speeds: Any
    path: Any
    breaks: Any

    def reached_s(self, row: int, target_m: float) -> float:
        """When the path since a row is at a length that it reaches before the next, at a steady gain of speed."""
        step_s = float(self.times[row + 1] - self.times[row])
        gain_mps2 = float(self.speeds[row + 1] - self.speeds[row]) / step_s
        speed_mps, left_m = float(self.speeds[row]), target_m - float(self.path[row])
        root = np.sqrt(max(speed_mps**2 + 2 * gain_mps2 * left_m, 0.0))
        return float(self.times[row]) + (2 * left_m / (speed_mps + root) if left_m > 0 else 0.0)


def standing_starts(track: SpeedTrack, marks: Any, near_m: float) -> list[StandingStart]:
    """Every ride from rest on one end of the gate through the other, in order of time; near_m counts as on a mark."""
    length_m = float(marks[-1])
    starts: dict[tuple[bool, int], StandingStart] = {}
    for is_out in (True, False):
        ridden = track.along if is_out else length_m - track.along
        for row in np.flatnonzero((ridden[:-1] < length_m) & (ridden[1:] >= length_m)).tolist():
            start = _start_of(track, ridden, row, marks if is_out else length_m - marks[::-1], near_m)
            if start is not None:
                rest, mark_s, u_began_s = start
                starts.setdefault((is_out, rest), StandingStart(is_out, rest, row + 1, mark_s, u_began_s))
    return sorted(starts.values(), key=lambda start: start.mark_s[0])


def _start_of(
    track: SpeedTrack, ridden: Any, row: int, distances: Any, near_m: float
) -> tuple[int, list[float], float] | None:
    """The last row at rest before a crossing of the last mark, the times at the marks, and u of the first."""
    times, speeds, path, breaks = track.times, track.speeds, track.path, track.breaks
    length_m, rest = float(distances[-1]), row + 1
    while rest > 0 and speeds[rest] >= REST_MPS and not breaks[rest - 1]:
        rest -= 1
    begun = int(np.searchsorted(times, times[rest] - REST_S, side="right")) - 1
    # The speed is unknown beside a break.
    if not speeds[rest] < REST_MPS or rest >= row or begun < 0 or breaks[begun:rest].any():
        return None
    if path[rest] - path[begun] > REST_MPS * (times[rest] - times[begun]):
        return None
    stood = slice(begun, rest + 1)
    share = (length_m - ridden[row]) / (ridden[row + 1] - ridden[row])
    aside_m = track.aside[row] + share * (track.aside[row + 1] - track.aside[row])
    if abs(ridden[stood].mean()) > near_m or max(abs(track.aside[stood].mean()), abs(aside_m)) > WIDEST_M:
        return None
    began_s, u_began_s = _first_movement(track, rest, begun)
    from_m = float(path[rest + 1] - speeds[rest + 1] * (times[rest + 1] - began_s) / 2)
    gone_m = path[row] + share * (path[row + 1] - path[row]) - from_m
    if abs(gone_m - length_m) > WIDEST_M:
        return None  # it went elsewhere first, and came back to the gate
    mark_s = [began_s]
    for target_m in (from_m + distances[1:]).tolist():
        reached = int(np.searchsorted(path, target_m, side="right")) - 1
        if reached >= times.size - 1 or breaks[rest : reached + 1].any():
            return None
        mark_s.append(track.reached_s(reached, target_m))
    return (rest, mark_s, u_began_s) if all(b > a for a, b in itertools.pairwise(mark_s)) else None


def _first_movement(track: SpeedTrack, rest: int, begun: int) -> tuple[float, float]:
    """Where the gain of speed of the first two rows in motion began at nothing; u of a rectangle (JCGM 100, 4.3.7)."""
    moving_s, next_s = float(track.times[rest + 1]), float(track.times[rest + 2])
    speed_mps, next_mps = float(track.speeds[rest + 1]), float(track.speeds[rest + 2])
    at_rest_s = float(track.times[rest])
    began_s = at_rest_s
    if next_mps > speed_mps:
        extrapolated_s = moving_s - speed_mps * (next_s - moving_s) / (next_mps - speed_mps)
        began_s = min(max(extrapolated_s, float(track.times[begun])), moving_s)
    return began_s, (moving_s - min(began_s, at_rest_s)) / float(np.sqrt(12.0))
