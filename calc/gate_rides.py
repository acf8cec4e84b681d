"""Where a satellite track crosses the marks of a gate: rides from one end of it to the other, by the fixes alone."""

from __future__ import annotations

import itertools
from typing import Any, NamedTuple

import numpy as np

from calc.standing_starts import REST_MPS, WIDEST_M

LARGEST_GAP_S = 3.0
"""Between fixes farther apart nobody saw where the machine was (common practice, no source)."""
SLOWEST_MPS = REST_MPS


class Ride(NamedTuple):
    """A ride from one end of the gate to the other, in rows of the track.

    first, last: the last row before the gate and the first behind it. mark_s: T₁ at each mark in the order ridden.
    """

    is_out: bool
    first: int
    last: int
    mark_s: list[float]


def along_the_gate(east: Any, north: Any, mark_east: Any, mark_north: Any, length_m: float) -> tuple[Any, Any]:
    """Distance from the first mark along the gate, and how far to the left of it, where the marks stand as taped."""
    if mark_east.shape != (2,) or mark_north.shape != (2,):
        raise ValueError("mark_east_m and mark_north_m need the first and the last mark, two values each")
    way = np.array([mark_east[1] - mark_east[0], mark_north[1] - mark_north[0]])
    apart_m = float(np.hypot(*way))
    if apart_m == 0:
        raise ValueError("mark_east_m and mark_north_m must be two places, got the same one twice")
    way = way / apart_m
    from_middle = east - mark_east.mean(), north - mark_north.mean()
    along = from_middle[0] * way[0] + from_middle[1] * way[1] + length_m / 2
    return along, from_middle[1] * way[0] - from_middle[0] * way[1]


class CrossedTrack:
    """A track laid along one gate: times, metres along the gate from its first mark and aside of it, marks."""

    def __init__(self, times: Any, along: Any, aside: Any, marks: Any) -> None:
        self.times, self.along, self.aside = times, along, aside
        self.marks, self.length_m = marks, float(marks[-1])

    def rides(self) -> list[Ride]:
        zone = np.where(self.along < 0, 0, np.where(self.along < self.length_m, 1, 2))
        outside = np.flatnonzero(zone != 1)
        through = np.flatnonzero(zone[outside[1:]] != zone[outside[:-1]])
        rides = []
        for place in through.tolist():
            first, last = int(outside[place]), int(outside[place + 1])
            is_out = bool(zone[first] == 0)
            ends = (0.0, self.length_m) if is_out else (self.length_m, 0.0)
            beside = [self._aside_at(row, mark_m) for row, mark_m in zip((first, last - 1), ends, strict=True)]
            if max(beside) > WIDEST_M:
                continue
            mark_s = [
                self._entry_s(first, ends[0]),
                *(self._between_s(first, last, float(mark_m)) for mark_m in self._between(is_out)),
                self._exit_s(last - 1, ends[1]),
            ]
            grows = all(later > earlier for earlier, later in itertools.pairwise(mark_s))
            if grows and self.length_m / (mark_s[-1] - mark_s[0]) >= SLOWEST_MPS:
                rides.append(Ride(is_out, first, last, mark_s))
        return rides

    def _between(self, is_out: bool) -> Any:
        return self.marks[1:-1] if is_out else self.marks[-2:0:-1]

    def _crosses(self, row: int, mark_m: float) -> bool:
        """Whether the step from this row to the next crosses a mark."""
        return bool((self.along[row] < mark_m) != (self.along[row + 1] < mark_m))

    def _crossing_s(self, row: int, mark_m: float) -> float:
        share = (mark_m - self.along[row]) / (self.along[row + 1] - self.along[row])
        return float(self.times[row] + share * (self.times[row + 1] - self.times[row]))

    def _aside_at(self, row: int, mark_m: float) -> float:
        share = (mark_m - self.along[row]) / (self.along[row + 1] - self.along[row])
        return abs(float(self.aside[row] + share * (self.aside[row + 1] - self.aside[row])))

    # A slow machine's fixes may cross a mark to and fro. Its time is then t₁ − t₂ + t₃: as long was spent before it.
    def _entry_s(self, row: int, mark_m: float) -> float:
        crossings = [self._crossing_s(row, mark_m)]
        while row > 0 and crossings[-1] - self.times[row - 1] <= LARGEST_GAP_S:
            row -= 1
            if self._crosses(row, mark_m):
                crossings.append(self._crossing_s(row, mark_m))
        return _to_and_fro(crossings)

    def _exit_s(self, row: int, mark_m: float) -> float:
        crossings = [self._crossing_s(row, mark_m)]
        while row + 2 < self.times.size and self.times[row + 2] - crossings[-1] <= LARGEST_GAP_S:
            row += 1
            if self._crosses(row, mark_m):
                crossings.append(self._crossing_s(row, mark_m))
        return _to_and_fro(crossings)

    def _between_s(self, first: int, last: int, mark_m: float) -> float:
        rows = [row for row in range(first, last) if self._crosses(row, mark_m)]
        return _to_and_fro([self._crossing_s(row, mark_m) for row in rows])


def _to_and_fro(crossings_s: list[float]) -> float:
    """t₁ − t₂ + t₃ …: of an even number, the one farthest out does not count."""
    counted = crossings_s[: len(crossings_s) - 1 + len(crossings_s) % 2]
    return float(sum(crossing_s if place % 2 == 0 else -crossing_s for place, crossing_s in enumerate(counted)))
