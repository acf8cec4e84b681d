"""The still picture of a session's logs: drawn on the server, so that it stands without the chart library."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from buildlog.failures.models import Failure
from calc.digits import decimals_for, significant, with_minus
from calc.thinning import rows_with_extremes
from sessions.drawing.line_panels import LinePanels, colour_of
from sessions.drawing.still_picture import round_ticks
from sessions.logs.charts import Line, over_session, panels_of
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
    title: str
    """Of the axis along the panels."""
    marks: list[PictureMark]
    ticks: list[tuple[float, str]]
    """Where round numbers stand along the width, in hundredths of it."""

    @property
    def has_passes(self) -> bool:
        return any(mark.width for mark in self.marks)

    @property
    def has_failures(self) -> bool:
        return any(not mark.width for mark in self.marks)


def first_picture(drawn: LinePanels) -> FirstPicture:
    """The panels with both extremes of every stretch of their lines."""
    span = (drawn.start, drawn.end)
    listed = []
    for panel in drawn.panels:
        lines = [line for line in panel.lines if len(line.values)]
        if not lines:
            continue
        low = min(float(np.min(line.values)) for line in lines)
        high = max(float(np.max(line.values)) for line in lines)
        paths = [
            PictureLine(line.name, colour_of(index), _path(line.along, line.values, span, (low, high)))
            for index, line in enumerate(lines)
        ]
        listed.append(PicturePanel(panel.title, _ends(low, high), paths))
    across = 100.0 / ((drawn.end - drawn.start) or 1.0)
    ticks = [(round((at - drawn.start) * across, 2), text) for at, text in round_ticks(drawn.start, drawn.end)]
    return FirstPicture(listed, drawn.title, _marks(drawn, across), ticks)


def _ends(low: float, high: float) -> str:
    """Both to the place of two digits of their distance; one number where they are one."""
    if low == high:
        return significant(low, 3)
    place = decimals_for(high - low)
    return f"{with_minus(low, place)} to {with_minus(high, place)}"


def ride_of(session: Session, system: str, failures: Iterable[Failure]) -> FirstPicture | None:
    """The speed of the ride, for the page of its session; None where no log of it has one."""
    with Timeline(session, session.logs.all()) as timeline:
        if not timeline.speeds:
            return None
        panels = panels_of([Line("Speed", timeline.speeds[0])], system, stretches=STRETCHES)
        return first_picture(over_session(timeline, panels, session.passes.all(), failures))


def _marks(drawn: LinePanels, across: float) -> list[PictureMark]:
    """Passes as bands, failures as lines, in their order; words that would lie on those before are left out."""
    marks, free_from = [], 0.0
    for mark in sorted(drawn.marks, key=lambda mark: mark.start):
        left = round((mark.start - drawn.start) * across, 2)
        end = left + LETTER * len(mark.words)
        shown = mark.words if left >= free_from and end <= 100.0 else ""
        free_from = end + LETTER if shown else free_from
        marks.append(PictureMark(left, round((mark.end - mark.start) * across, 2), shown))
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
