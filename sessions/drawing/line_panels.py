"""Panels of lines one over the other, such as a ride's speed and voltage over its time: what a page draws of them.

The server draws a still picture of them (`sessions/logs/first_picture.py`), the page's script one that can be moved
(`static/js/line-panels.js`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from sessions.drawing.figures import COLOURS

ALONG_DIGITS = 3
"""Decimals of a place along the panels: milliseconds, or millimetres."""
SIGNIFICANT = 5
"""Digits of a line's largest value that are sent; a screen shows three, a cursor four."""
MOST_WHOLE = 2.0**53


@dataclass(frozen=True)
class PanelLine:
    """One line: its points along the panels and upwards, in the units that are shown."""

    name: str
    """As in a key, with the log that it is of."""
    label: str
    unit: str
    along: Any
    values: Any


@dataclass(frozen=True)
class Panel:
    title: str
    lines: list[PanelLine]
    readings: list[tuple[float, float]] = field(default_factory=list)
    """Values read from instruments, drawn as rings."""


@dataclass(frozen=True)
class PanelMark:
    """A stretch or, where both ends are the same, a moment."""

    start: float
    end: float
    words: str


@dataclass(frozen=True)
class LinePanels:
    """Panels over one axis, such as seconds into the session."""

    panels: list[Panel]
    start: float
    end: float
    title: str
    """Of the axis along the panels."""
    marks: list[PanelMark] = field(default_factory=list)

    def described(self) -> dict[str, Any]:
        """What a script needs to draw them, but for the points."""
        return {
            "span": [round(self.start, ALONG_DIGITS), round(self.end, ALONG_DIGITS)],
            "title": self.title,
            "marks": [[mark.start, mark.end, mark.words] for mark in self.marks],
            "panels": [
                {
                    "title": panel.title,
                    "lines": [
                        {"name": line.name, "label": line.label, "unit": line.unit, "colour": colour_of(index)}
                        for index, line in enumerate(panel.lines)
                    ],
                    "readings": panel.readings,
                }
                for panel in self.panels
            ],
        }

    def packed(self) -> list[dict[str, Any]]:
        """The points of every line, in the order of the panels."""
        return [packed(line.along, line.values) for panel in self.panels for line in panel.lines]


def colour_of(index: int) -> str:
    """Of a line by its place in its panel."""
    return COLOURS[index % len(COLOURS)]


def packed(along: Any, values: Any) -> dict[str, Any]:
    """Points as whole numbers, which take half the room of decimals: places along in thousandths, each after the first
    as its step from the one before, and values in the power of ten that holds `SIGNIFICANT` digits of the largest, or
    all that the channel has."""
    thousandths = np.rint(np.asarray(along, dtype=np.float64) * 10**ALONG_DIGITS).astype(np.int64)
    numbers = np.asarray(values, dtype=np.float64)
    largest = float(np.abs(numbers).max(initial=0.0))
    most = min(max(SIGNIFICANT - 1 - math.floor(math.log10(largest)), 0), 9) if largest else 0
    whole = np.rint(numbers * 10.0**most)
    digits = most
    while digits and not (whole % 10).any():
        whole, digits = whole / 10, digits - 1
    return {
        "along": np.diff(thousandths, prepend=0).tolist(),
        # Beyond these a number of JSON is no whole one in a script.
        "values": whole.astype(np.int64).tolist() if largest < MOST_WHOLE else whole.tolist(),
        "digits": digits,
    }
