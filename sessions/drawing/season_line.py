"""One line for the season of a machine: a tick for each failure, a bar over what was ridden with a fix."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

WIDTH, HEIGHT = 300.0, 22.0
"""In units of its picture."""
_EDGE = 2.0


@dataclass(frozen=True)
class Bar:
    x: float
    width: float


@dataclass(frozen=True)
class SeasonLine:
    """Places along the line; `label` says the same in words."""

    ticks: list[float]
    bars: list[Bar]
    label: str

    @classmethod
    def of(cls, total_m: float, places_m: Iterable[float], spans_m: Iterable[tuple[float, float]]) -> SeasonLine:
        """From the distances at which failures came and between which a fix was ridden, out of all that was ridden."""

        def place(metres: float) -> float:
            return round(_EDGE + min(1.0, metres / total_m) * (WIDTH - 2 * _EDGE), 1)

        ticks = [place(metres) for metres in places_m]
        bars = [Bar(place(begin), max(1.0, round(place(end) - place(begin), 1))) for begin, end in spans_m]
        shares = ", ".join(f"{100 * (tick - _EDGE) / (WIDTH - 2 * _EDGE):.0f} %" for tick in ticks)
        label = f"Failures at {shares} of the distance ridden" if ticks else "No failure at a known distance"
        return cls(ticks, bars, f"{label}; ridden with a fix: {'yes' if bars else 'no'}")
