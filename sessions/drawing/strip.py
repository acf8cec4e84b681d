"""A season on one axis: revisions as bars, sessions as dots, failures as ticks, fixes as links, and small lines of
measures below it, drawn as SVG in the page's own colours.

Places across are in per cent of the picture's width, so that text and dots keep their size on a phone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

LEFT, RIGHT = 1.0, 99.0
LEAST_BAR = 0.4
LEAST_NAMED = 6.0
"""Narrower bars are not named: names would stand on each other on a phone."""
MOST_DOTS = 300
"""Of more sessions, those within a quarter of a per cent are one dot, and of their values both extremes are kept."""
LANES = 3


@dataclass(frozen=True)
class Bar:
    x: float
    width: float
    label: str
    is_named: bool
    is_newest: bool

    @property
    def middle(self) -> float:
        return round(self.x + self.width / 2, 2)


@dataclass(frozen=True)
class Dot:
    x: float
    is_newest: bool


@dataclass(frozen=True)
class Link:
    """From a failure to where its fix was first ridden. y: in pixels, in lanes so that links stand apart."""

    x: float
    until: float
    y: int
    words: str


@dataclass(frozen=True)
class Tick:
    x: float
    words: str


@dataclass(frozen=True)
class Point:
    """low, high: top and bottom of what it stands for, in per cent of the height from the top."""

    x: float
    high: float
    low: float
    is_newest: bool

    @property
    def is_single(self) -> bool:
        return self.low - self.high < 1.0


@dataclass(frozen=True)
class Level:
    """The mean of one revision, from its first value to its last."""

    x: float
    until: float
    y: float
    is_newest: bool


@dataclass(frozen=True)
class SmallLine:
    label: str
    words: str
    points: list[Point]
    levels: list[Level]


class Strip:
    """The axis with its bars and dots.

    Parameters
    ----------
    places: where each session began, not falling; total: where the last one ended.
    revisions: the revision of each session, as a place in `labels`.
    """

    def __init__(self, places: Sequence[float], total: float, revisions: Sequence[int], labels: Sequence[str]) -> None:
        if not total > 0:
            # Without distances the axis counts sessions.
            places, total = [float(number) for number in range(len(places))], float(len(places))
            self.counts_sessions = True
        else:
            self.counts_sessions = False
        self._total, self._places, self._revisions = total, list(places), list(revisions)
        self.newest = max(revisions, default=0)
        self.bars = self._bars(labels)
        self._xs = [self.x(place) for place in self._places]
        dots = {(self._merged(x), revision) for x, revision in zip(self._xs, revisions, strict=True)}
        self.dots = [Dot(x, revision == self.newest) for x, revision in sorted(dots)]

    def x(self, place: float) -> float:
        share = max(0.0, min(1.0, place / self._total))
        return round(LEFT + share * (RIGHT - LEFT), 2)

    def _merged(self, x: float) -> float:
        return round(4 * x) / 4 if len(self._places) > MOST_DOTS else x

    def _bars(self, labels: Sequence[str]) -> list[Bar]:
        runs = [
            (revision, list(rows)) for revision, rows in groupby(range(len(self._places)), self._revisions.__getitem__)
        ]
        ends = [self.x(self._places[rows[0]]) for _, rows in runs[1:]] + [RIGHT]
        bars = []
        for (revision, rows), end in zip(runs, ends, strict=True):
            x = self.x(self._places[rows[0]])
            width = round(max(LEAST_BAR, end - x - 0.2), 2)
            is_newest = revision == self.newest
            bars.append(Bar(x, width, labels[revision], width >= LEAST_NAMED, is_newest))
        return bars

    def ticks(self, failures: Sequence[tuple[float, str]]) -> list[Tick]:
        return [Tick(self.x(place), words) for place, words in failures]

    def links(self, fixes: Sequence[tuple[float, float, str]]) -> list[Link]:
        """From (place of a failure, place of its fix, words)."""
        places = sorted(fixes)
        return [
            Link(self.x(begin), self.x(end), 66 + 6 * (number % LANES), words)
            for number, (begin, end, words) in enumerate(places)
            if end >= begin
        ]

    def small_line(self, label: str, values: Sequence[float], words: str) -> SmallLine | None:
        """One value of each session, NaN where it has none; None without any."""
        known = [value for value in values if not math.isnan(value)]
        if not known:
            return None
        least, most = min(known), max(known)
        span = (most - least) or 1.0

        def height(value: float) -> float:
            return round(10.0 + 80.0 * (most - value) / span, 1)

        spans: dict[tuple[float, bool], list[float]] = {}
        own: dict[int, list[tuple[float, float]]] = {}
        for x, revision, value in zip(self._xs, self._revisions, values, strict=True):
            if math.isnan(value):
                continue
            spans.setdefault((self._merged(x), revision == self.newest), []).append(value)
            own.setdefault(revision, []).append((x, value))
        points = [Point(x, height(max(row)), height(min(row)), newest) for (x, newest), row in sorted(spans.items())]
        levels = []
        for revision, rows in own.items():
            mean = sum(value for _, value in rows) / len(rows)
            begin, end = rows[0][0], rows[-1][0]
            levels.append(Level(begin, max(end, begin + 0.8), height(mean), revision == self.newest))
        return SmallLine(label, words, points, levels)
