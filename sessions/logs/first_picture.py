"""The first picture of a session's logs: drawn on the server, so that it stands before the chart library is fetched."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from calc.thinning import rows_with_extremes
from sessions.drawing.figures import Figure

STRETCHES = 180
"""Two points for each pixel of a phone held upright."""
WIDTH, HEIGHT = 1000, 100
MARGIN = 0.04
"""Of the height, above the highest and below the lowest value."""


@dataclass(frozen=True)
class PicturePanel:
    """One panel: what is drawn, its ends in words, and for each line its colour and its path in a box of 1000 x 100."""

    title: str
    ends: str
    paths: list[tuple[str, str]]


def first_picture(panels: Figure) -> list[PicturePanel]:
    """The same lines as the panels of the charts, of fewer points, with both extremes of every stretch."""
    layout = panels["layout"]
    start_s, end_s = layout["xaxis"]["range"]
    axes = [name for name in layout if name.startswith("yaxis")]
    drawn: dict[str, list[dict[str, Any]]] = {name.replace("yaxis", "y"): [] for name in axes}
    for line in panels["data"]:
        if line["mode"] == "lines" and line["x"]:
            drawn[line.get("yaxis", "y")].append(line)
    listed = []
    for name in axes:
        lines = drawn[name.replace("yaxis", "y")]
        values = [value for line in lines for value in line["y"] if value is not None]
        if not values:
            continue
        low, high = min(values), max(values)
        listed.append(
            PicturePanel(
                layout[name]["title"]["text"],
                f"{low:.4g} to {high:.4g}".replace("-", "−"),
                [(line["line"]["color"], _path(line["x"], line["y"], (start_s, end_s), (low, high))) for line in lines],
            )
        )
    return listed


def _path(
    times: Iterable[float], values: Iterable[float], span_s: tuple[float, float], ends: tuple[float, float]
) -> str:
    """A line in the box, in whole tenths of its units."""
    x, y = np.asarray(times, dtype=np.float64), np.asarray(values, dtype=np.float64)
    shown = rows_with_extremes(y, STRETCHES)
    across = WIDTH / ((span_s[1] - span_s[0]) or 1.0)
    up = HEIGHT * (1 - 2 * MARGIN) / ((ends[1] - ends[0]) or math.inf)
    left = np.round((x[shown] - span_s[0]) * across, 1)
    # A value that never changes is drawn in the middle.
    top = HEIGHT * (1 - MARGIN) - (y[shown] - ends[0]) * up if up else np.full(left.size, HEIGHT / 2)
    return "M" + "L".join(f"{a:g} {b:g}" for a, b in zip(left.tolist(), np.round(top, 1).tolist(), strict=True))
