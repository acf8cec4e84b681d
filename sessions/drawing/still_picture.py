"""A chart as a still picture: drawn as SVG in the page's own colours, and read without any script.

The interactive chart of the same figure is for those who look closer.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from sessions.drawing.figures import Figure, round_step

WIDTH, HEIGHT = 420.0, 240.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 46.0, 408.0, 26.0, 200.0
_LABEL = re.compile(r"R\d+")
_LETTER = 6.5
"""About the width of a letter, to keep names apart."""


@dataclass(frozen=True)
class Place:
    """A name at a place along an axis."""

    at: float
    label: str


@dataclass(frozen=True)
class Dot:
    x: float
    y: float
    is_newest: bool
    words: str


@dataclass(frozen=True)
class Upright:
    """The limits of a value, one above the other."""

    x: float
    top: float
    bottom: float
    is_newest: bool


@dataclass(frozen=True)
class Course:
    """A line through points, as SVG writes them."""

    points: str
    is_newest: bool
    is_fitted: bool


@dataclass(frozen=True)
class StillPicture:
    newest: str
    """The label of the newest revision that it names: marked, where everything before is neutral."""
    has_names: bool
    """Whether the ticks upwards are names, which stand above their lines."""
    x_title: str
    y_title: str
    x_ticks: list[Place]
    y_ticks: list[Place]
    marks: list[Place]
    """Where each revision was first ridden, if that is along the picture."""
    dots: list[Dot] = field(default_factory=list)
    uprights: list[Upright] = field(default_factory=list)
    courses: list[Course] = field(default_factory=list)


def still_picture(figure: Figure) -> StillPicture | None:
    """The points, lines and limits of a figure; None where it has none.

    `figure` holds data and layout in the schema of the charts, with traces of points and lines.
    """
    traces, layout = figure["data"], figure["layout"]
    names = _names_upwards(traces)
    x_values = [float(x) for trace in traces for x in trace["x"]]
    y_values = [value for trace in traces for value in _y_extent(trace, names)]
    if not x_values:
        return None
    across = _Axis(x_values, layout["xaxis"], _LEFT, _RIGHT)
    upwards = _Axis(y_values, layout["yaxis"], _BOTTOM, _TOP, names)
    newest = _newest(figure)
    picture = StillPicture(
        newest,
        bool(names),
        _title(layout["xaxis"]),
        _title(layout["yaxis"]),
        across.ticks(),
        upwards.ticks(),
        _apart(across, layout),
    )
    for trace in traces:
        name, mode = str(trace.get("name", "")), trace["mode"]
        is_newest = bool(newest) and name.split(" ")[0] == newest
        x_places = [across.place(float(x)) for x in trace["x"]]
        heights = _heights(trace, names)
        y_places = [upwards.place(height) for height in heights]
        words = [str(text) for text in trace.get("text", [name] * len(x_places))]
        if "lines" in mode:
            points = list(_steps(x_places, y_places, trace.get("line", {}).get("shape") == "hv"))
            picture.courses.append(
                Course(" ".join(f"{x},{y}" for x, y in points), is_newest, "dash" in trace.get("line", {}))
            )
        for x, height, (above, below) in zip(x_places, heights, _half_lengths(trace), strict=True):
            if above or below:
                limits = upwards.place(height + above), upwards.place(height - below)
                picture.uprights.append(Upright(x, *limits, is_newest))
        if mode == "markers":
            picture.dots.extend(
                Dot(x, y, is_newest, text) for x, y, text in zip(x_places, y_places, words, strict=True)
            )
    return picture


class _Axis:
    """Places along one axis, with round numbers or names beside it."""

    def __init__(
        self, values: Sequence[float], layout: Figure, start: float, end: float, names: Sequence[str] = ()
    ) -> None:
        self.layout, self.names, self.start, self.end = layout, names, start, end
        low, high = min(values), max(values)
        if "range" in layout:
            low, high = (float(value) for value in layout["range"])
        elif names:
            low, high = -0.5, len(names) - 0.5
        elif layout.get("rangemode") == "tozero":
            low, high = min(low, 0.0), max(high, 0.0)
            high += 0.03 * (high - low)
        else:
            room = 0.06 * (high - low) or 0.05 * abs(high) or 1.0
            low, high = low - room, high + room
        self.low, self.high = low, high if high > low else low + 1.0

    def place(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return round(self.start + share * (self.end - self.start), 1)

    def ticks(self) -> list[Place]:
        if self.names:
            return [Place(self.place(index), name) for index, name in enumerate(self.names)]
        if "tickvals" in self.layout:
            pairs = zip(self.layout["tickvals"], self.layout["ticktext"], strict=True)
            return [Place(self.place(value), text.partition("<")[0]) for value, text in pairs]
        return [Place(self.place(value), text) for value, text in round_ticks(self.low, self.high)]


def round_ticks(low: float, high: float) -> list[tuple[float, str]]:
    """About five round numbers from the low to the high end of an axis, each with how it is written."""
    if not high > low:
        return []
    step = round_step((high - low) / 4.5)
    decimals = max(0, -math.floor(math.log10(step)))
    return [
        (number * step, f"{number * step:.{decimals}f}".replace("-", "−"))
        for number in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)
    ]


def _newest(figure: Figure) -> str:
    """The label with the highest number of all revisions that a figure names."""
    named = [str(trace.get("name", "")).split(" ")[0] for trace in figure["data"]]
    named += [str(mark["text"]) for mark in figure["layout"].get("annotations", [])]
    return max((name for name in named if _LABEL.fullmatch(name)), key=lambda name: int(name[1:]), default="")


def _title(axis: Figure) -> str:
    return str(axis.get("title", {}).get("text", ""))


def _names_upwards(traces: Sequence[Figure]) -> list[str]:
    """The names along the upright axis where it has names, in the order in which they come."""
    return list(dict.fromkeys(y for trace in traces for y in trace["y"] if isinstance(y, str)))


def _heights(trace: Figure, names: Sequence[str]) -> list[float]:
    return [float(names.index(y)) if isinstance(y, str) else float(y) for y in trace["y"]]


def _half_lengths(trace: Figure) -> list[tuple[float, float]]:
    """How far each value's limits are above and below it."""
    bars: Any = trace.get("error_y")
    if not bars:
        return [(0.0, 0.0)] * len(trace["y"])
    return [(float(above), float(below)) for above, below in zip(
        bars["array"], bars.get("arrayminus", bars["array"]), strict=True)]  # fmt: skip


def _y_extent(trace: Figure, names: Sequence[str]) -> Iterator[float]:
    for height, (above, below) in zip(_heights(trace, names), _half_lengths(trace), strict=True):
        yield from (height - below, height + above)


def _steps(x_places: Sequence[float], y_places: Sequence[float], by_steps: bool) -> Iterator[tuple[float, float]]:
    before: float | None = None
    for x, y in zip(x_places, y_places, strict=True):
        if by_steps and before is not None:
            yield x, before
        yield x, y
        before = y


def _apart(across: _Axis, layout: Figure) -> list[Place]:
    """The marked places; a name that would lie on the one before it is left out."""
    marks, free_from = [], 0.0
    for mark in layout.get("annotations", []):
        x, label = across.place(float(mark["x"])), str(mark["text"])
        shown = label if x >= free_from else ""
        free_from = x + _LETTER * (len(label) + 1) if shown else free_from
        marks.append(Place(x, shown))
    return marks
