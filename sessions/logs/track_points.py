"""The points of a track in the order in which they stand in a file, gathered into columns.

A point whose place or time cannot be is left out and counted; a file of which more than a fifth is so is refused.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from sessions.logs.forward_times import TIME, ForwardTimes
from sessions.logs.meanings import BY_COLUMN, OTHER
from sessions.logs.series import Named, NotARecording, ShortRecording, are

LARGEST_BYTES = 60 * 1024 * 1024
MOST_POINTS = 500_000
MOST_NAMED = 24
"""More values of one's own than this are hardly measured ones; those that come first in the file are kept."""
MOST_BAD_SHARE = 0.2
FEWEST_MOMENTS = 2
"""A track whose points all have one of two times was not timed at all."""
_ENDS = {"lat": 90.0, "lon": 180.0}


def check_size(size: int) -> None:
    """Raises NotARecording where a track's file is empty or too large to be in memory."""
    if size > LARGEST_BYTES:
        raise NotARecording(f"The file has {size / 1e6:.0f} MB; at most {LARGEST_BYTES / 1e6:.0f} MB are allowed.")
    if size == 0:
        raise NotARecording("The file is empty. Export the track again.")


class TrackPoints:
    """Points as they come; seconds since the first time, NaN where nothing was measured."""

    def __init__(self) -> None:
        self.notes: list[str] = []
        self.count = 0
        self._seconds = array("d")
        self._values: dict[str, array[float]] = {}
        self._named: dict[str, Named] = {}
        self._first: datetime | None = None
        self._bad = 0
        self._first_bad = ""
        self._beyond: dict[str, int] = {}

    def add(
        self,
        moment: datetime | None,
        values: Mapping[str, float | None],
        named: Mapping[Named, float] | None = None,
    ) -> None:
        """Take in a point: its time, values in stored units by the names of their columns, and others."""
        if self.count >= MOST_POINTS:
            raise NotARecording(f"The track has more than {MOST_POINTS:,} points. Export it with fewer.")
        if moment is None:
            self._seconds.append(math.nan)
        else:
            # Times of all these formats are in UTC, whether or not the file says so.
            moment = moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)
            if self._first is None:
                self._first = moment.astimezone(UTC)
            self._seconds.append((moment - self._first).total_seconds())
        for name, value in values.items():
            if value is None or not math.isfinite(value):
                continue
            meaning = BY_COLUMN[name]
            if meaning.low <= value <= meaning.high:
                self._column(name).append(value)
            else:
                self._beyond[name] = self._beyond.get(name, 0) + 1
        for of, value in (named or {}).items():
            column = self._column_of(of)
            if column and math.isfinite(value):
                self._column(column).append(value)
        self.count += 1
        for column_values in self._values.values():
            if len(column_values) < self.count:
                column_values.append(math.nan)

    def bad(self, sentence: str) -> None:
        """Count a point that cannot be; the sentence says which, and what is wrong with it."""
        self._bad += 1
        self._first_bad = self._first_bad or sentence

    def _column(self, name: str) -> array[float]:
        column = self._values.get(name)
        if column is None:
            column = self._values[name] = array("d", [math.nan] * self.count)
        elif len(column) > self.count:
            # The same value twice in one point: the later one counts.
            column.pop()
        return column

    def _column_of(self, of: Named) -> str:
        for column, known in self._named.items():
            if known.label == of.label:
                return column
        if len(self._named) >= MOST_NAMED:
            return ""
        column = f"{OTHER}_{len(self._named) + 1}"
        self._named[column] = of
        return column

    def recording(self, what: str) -> ShortRecording:
        """The points as a recording; `what` says which points the format has, where there are none.

        Raises NotARecording with a sentence.
        """
        if self.count < 2 or self._bad > MOST_BAD_SHARE * (self.count + self._bad):
            raise NotARecording(self._first_bad or f"The file holds no track of two points or more ({what}).")
        notes = list(self.notes)
        if self._bad:
            notes.append(f"{are(self._bad, 'points')} left out: {self._first_bad}")
        for name, count in self._beyond.items():
            notes.append(f"{BY_COLUMN[name].label}: {are(count, 'values')} left out, which cannot be.")
        columns: dict[str, Any] = {name: np.array(values) for name, values in self._values.items()}
        seconds = np.array(self._seconds)
        timed = int((~np.isnan(seconds)).sum())
        known = seconds[~np.isnan(seconds)]
        if timed * 2 < self.count or np.unique(known).size <= FEWEST_MOMENTS < known.size:
            some = ""
            if timed:
                different = "hardly any times of their own" if timed * 2 >= self.count else "a time"
                some = f"{timed} of its {self.count} points have {different}. "
            notes.append(f"{some}The track has no times: it has a length, but no speeds.")
            return ShortRecording(None, columns, notes, self._named)
        forwards = ForwardTimes()
        blocks = list(forwards.of([{TIME: seconds, **columns}]))
        notes += forwards.notes("points")
        columns = {name: np.concatenate([block[name] for block in blocks]) for name in blocks[0]}
        begun_s = float(columns[TIME][0])
        columns[TIME] = columns[TIME] - begun_s
        first = None if self._first is None else self._first + timedelta(seconds=begun_s)
        return ShortRecording(first, columns, notes, self._named)


def degrees(text: str | None, name: str, number: int) -> float:
    """A latitude or longitude ("lat", "lon") as written. Raises ValueError with a sentence that names the point."""
    try:
        value = float(text or "")
    except ValueError:
        value = math.nan
    if not abs(value) <= _ENDS[name]:
        raise ValueError(f"Point {number} has {name}={str(text)[:30]!r}, which is no {name} in degrees.")
    return value


def moment_of(text: str, number: int) -> datetime | None:
    """A time as XML and GeoJSON write it. Raises ValueError with a sentence that names the point."""
    if not (text := text.strip()):
        return None
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"Point {number} has the time {text[:40]!r}; write 2026-01-17T11:05:30Z.") from None


def number_or_none(text: str | None) -> float | None:
    try:
        return float(text) if text else None
    except ValueError:
        return None
