"""The still picture of a session's logs: drawn on the server, so that it stands without the chart library."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from buildlog.failures.models import Failure
from calc.thinning import rows_with_extremes
from sessions.drawing.figures import Figure
from sessions.drawing.still_picture import round_ticks
from sessions.logs.charts import Line
from sessions.logs.charts import panels as panels_of
from sessions.logs.timeline import Timeline
from sessions.outings.models import Session

STRETCHES = 180
"""Two points for each pixel of a phone held upright."""
WIDTH, HEIGHT = 1000, 100
MARGIN = 0.04
"""Of the height, above the highest and below the lowest value."""
LETTER = 2.2
"""About the width of a letter on a phone, in hundredths of the picture's width, to keep words apart."""


@dataclass(frozen=True)
class PictureLine:
    """A line of a panel: its name, its colour, and its path in a box of 1000 x 100."""

    name: str
    colour: str
    path: str


@dataclass(frozen=True)
class PicturePanel:
    """One panel: what is drawn, and its ends in words."""

    title: str
    ends: str
    lines: list[PictureLine]


@dataclass(frozen=True)
class PictureMark:
    """A pass or a failure along the session, in hundredths of the width; words only where they have room."""

    left: float
    width: float
    words: str


@dataclass(frozen=True)
class FirstPicture:
    panels: list[PicturePanel]
    marks: list[PictureMark]
    ticks: list[tuple[float, str]]
    """Where the seconds into the session stand along the width, in hundredths of it."""

    @property
    def has_passes(self) -> bool:
        return any(mark.width for mark in self.marks)

    @property
    def has_failures(self) -> bool:
        return any(not mark.width for mark in self.marks)


def first_picture(panels: Figure) -> FirstPicture:
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
                [
                    PictureLine(
                        line.get("name", ""),
                        line["line"]["color"],
                        _path(line["x"], line["y"], (start_s, end_s), (low, high)),
                    )
                    for line in lines
                ],
            )
        )
    across = 100.0 / ((end_s - start_s) or 1.0)
    ticks = [(round((at - start_s) * across, 2), text) for at, text in round_ticks(start_s, end_s)]
    return FirstPicture(listed, _marks(layout, start_s, across), ticks)


def ride_of(session: Session, system: str, failures: Iterable[Failure]) -> FirstPicture | None:
    """The speed of the ride, for the page of its session; None where no log of it has one."""
    with Timeline(session, session.logs.all()) as timeline:
        if not timeline.speeds:
            return None
        line = Line("Speed", timeline.speeds[0])
        return first_picture(panels_of(timeline, [line], system, session.passes.all(), failures, ()))


def _marks(layout: Figure, start_s: float, across: float) -> list[PictureMark]:
    """Passes as bands, failures as lines, in their order; words that would lie on those before are left out."""
    marks, free_from = [], 0.0
    shapes = zip(layout.get("shapes", []), layout.get("annotations", []), strict=True)
    for shape, word in sorted(shapes, key=lambda pair: float(pair[0]["x0"])):
        left = round((shape["x0"] - start_s) * across, 2)
        end = left + LETTER * len(word["text"])
        shown = word["text"] if left >= free_from and end <= 100.0 else ""
        free_from = end + LETTER if shown else free_from
        marks.append(PictureMark(left, round((shape["x1"] - shape["x0"]) * across, 2), shown))
    return marks


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
