"""A track from above as a still picture: north is up, and both directions have one scale."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from sessions.drawing.figures import Figure, round_step

WIDTH, TALLEST, MARGIN = 420.0, 260.0, 16.0
SHORTEST_BAR = 8.0
"""The bar of the scale is this part of the width at least, and two and a half times as long at most."""
POINTS = 400
"""Of a track, so that a picture of a day's ride stays small."""


@dataclass(frozen=True)
class Mark:
    """A mark of a gate, and its name."""

    x: float
    y: float
    name: str


@dataclass(frozen=True)
class FromAbove:
    """Courses as SVG writes points, in a box of 420 by `height`; `scale` is a length in it, and `metres` what it is."""

    height: float
    courses: list[str]
    marks: list[Mark]
    scale: float
    metres: str
    clocks: list[list[float]] = field(default_factory=list)
    """Seconds into the session at each point of each course, for a cursor."""


def from_above(figure: Figure | None) -> FromAbove | None:
    """The tracks and marks of a figure in metres east and north; None where it has none.

    `figure` holds traces of lines, which are tracks, and of markers, which are marks of gates.
    """
    traces = figure["data"] if figure else []
    east = np.concatenate([np.asarray(trace["x"], dtype=np.float64) for trace in traces] or [np.empty(0)])
    north = np.concatenate([np.asarray(trace["y"], dtype=np.float64) for trace in traces] or [np.empty(0)])
    if not east.size:
        return None
    wide, tall = np.ptp(east), np.ptp(north)
    inside = WIDTH - 2 * MARGIN, TALLEST - 2 * MARGIN
    # A track that stands still is a dot.
    factor = min(inside[0] / max(wide, 1.0), inside[1] / max(tall, 1.0))
    height = round(tall * factor + 2 * MARGIN, 1)
    left = (WIDTH - wide * factor) / 2

    def places(trace: Figure) -> np.ndarray:
        x = left + (np.asarray(trace["x"], dtype=np.float64) - east.min()) * factor
        y = MARGIN + (north.max() - np.asarray(trace["y"], dtype=np.float64)) * factor
        return np.round(np.column_stack([x, y]), 1)

    courses, clocks, marks = [], [], []
    for trace in traces:
        points = places(trace)
        if "lines" in trace["mode"]:
            step = max(1, -(-len(points) // POINTS))
            courses.append(" ".join(f"{x:g},{y:g}" for x, y in points[::step].tolist()))
            clocks.append(trace.get("customdata", [])[::step])
        else:
            marks += [Mark(x, y, name) for (x, y), name in zip(points.tolist(), trace["text"], strict=True)]
    metres = round_step(WIDTH / SHORTEST_BAR / factor)
    return FromAbove(height, courses, marks, round(float(metres * factor), 1), f"{metres:g} m", clocks)
