"""Intervals under each other on one axis of change, drawn as SVG in the page's own colours."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

WIDTH, HEIGHT = 420.0, 34.0
"""Of one row, in units of its picture."""
MOST = 0.4
"""An interval that reaches further than this is drawn to the edge, with an arrow."""
_STEPS = (0.01, 0.02, 0.05, 0.1, 0.2)


@dataclass(frozen=True)
class Interval:
    """A change with its limits, as shares; `band` is the half-width of what does not matter."""

    change: float
    lower: float
    upper: float
    band: float


@dataclass(frozen=True)
class Tick:
    x: float
    label: str


@dataclass(frozen=True)
class Row:
    """Places along one row. The dot is None where the change itself lies beyond the picture."""

    band_x: float
    band_width: float
    lower_x: float
    upper_x: float
    change_x: float | None
    runs_out_left: bool
    runs_out_right: bool


class Axis:
    """One axis for all intervals, as wide as they need and never wider than MOST to either side."""

    def __init__(self, intervals: Sequence[Interval]) -> None:
        ends = [abs(end) for row in intervals for end in (row.lower, row.upper, row.change, 2 * row.band)]
        self.most = min(MOST, max([end for end in ends if math.isfinite(end)], default=0.1) * 1.1)
        step = next((step for step in _STEPS if self.most / step <= 3), _STEPS[-1])
        count = int(self.most / step)
        self.ticks = [
            Tick(self._x(step * place), "same" if place == 0 else f"{100 * step * place:+.0f} %".replace("-", "−"))
            for place in range(-count, count + 1)
        ]
        self.zero_x = self._x(0.0)

    def _x(self, change: float) -> float:
        share = (max(-self.most, min(self.most, change)) / self.most + 1.0) / 2.0
        return round(8.0 + share * (WIDTH - 16.0), 1)

    def row(self, interval: Interval) -> Row:
        left = self._x(-interval.band)
        return Row(
            left,
            round(self._x(interval.band) - left, 1),
            self._x(interval.lower),
            self._x(interval.upper),
            self._x(interval.change) if abs(interval.change) <= self.most else None,
            interval.lower < -self.most,
            interval.upper > self.most,
        )
