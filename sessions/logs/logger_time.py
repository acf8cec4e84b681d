"""Times as loggers write them: numbers since a start, seconds since 1970, times of day, dates in three orders."""

from __future__ import annotations

import calendar
import math
import re
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

SECONDS_IN = {
    "seconds": 1.0,
    "milliseconds": 1e-3,
    "microseconds": 1e-6,
    "nanoseconds": 1e-9,
    "minutes": 60.0,
    "hours": 3600.0,
    "days": 86_400.0,
}
_TICKS = ("milliseconds", "microseconds", "nanoseconds")
_ROLLOVER = 2.0**32
"""Counters of ticks have 32 bits in most loggers: after the last they begin again."""
_EPOCH = {
    "epoch seconds": 1.0,
    "epoch milliseconds": 1e-3,
    "epoch microseconds": 1e-6,
    "epoch nanoseconds": 1e-9,
}
_ORDERS = {"year-month-day": (0, 1, 2), "day.month.year": (2, 1, 0), "month/day/year": (2, 0, 1)}
_HALF_DAY_S, _DAY_S = 43_200.0, 86_400.0
_HOUR_S, _CLOCK_CHANGE_SLACK_S = 3600.0, 120.0
_EARLIEST, _LATEST = datetime(1990, 1, 1, tzinfo=UTC), datetime(2100, 1, 1, tzinfo=UTC)


class NumberTimes:
    """Reads a column of times that are numbers, block by block.

    `interval_s` is the time between two samples, for a column of sample numbers.
    """

    def __init__(self, unit: str, interval_s: float | None = None) -> None:
        self._unit, self._interval_s = unit, interval_s
        self._start: float | None = None
        self._last_tick: float | None = None
        self._rounds = 0
        self.moment: datetime | None = None
        """What the seconds count from, where it is known."""

    def seconds(self, values: Any) -> Any:
        """Seconds since the first row's whole second where the numbers are dates, since the logger's own start else."""
        if self._unit == "sample number":
            return values * float(self._interval_s or 0.0)
        if self._unit in SECONDS_IN:
            ticks = self._unwrapped(values) if self._unit in _TICKS else values
            return ticks * SECONDS_IN[self._unit]
        scale = _EPOCH[self._unit]
        if self._start is None:
            known = values[~np.isnan(values)]
            if not known.size:
                return values
            self._start = 0.0
            if _EARLIEST.timestamp() <= known[0] * scale <= _LATEST.timestamp():
                start_s = float(math.floor(known[0] * scale))
                self._start = start_s / scale
                self.moment = datetime.fromtimestamp(start_s, UTC)
        # Subtracted before scaling: nanoseconds since 1970 have more digits than a float.
        return (values - self._start) * scale

    def _unwrapped(self, values: Any) -> Any:
        """Ticks of a counter of 32 bits that began again while it was logged."""
        rows = np.flatnonzero(~np.isnan(values))
        if not rows.size:
            return values
        known = values[rows]
        steps = np.diff(known, prepend=known[0] if self._last_tick is None else self._last_tick)
        rounds = self._rounds + np.cumsum(steps < -_ROLLOVER / 2)
        self._rounds, self._last_tick = int(rounds[-1]), float(known[-1])
        unwrapped = values.copy()
        unwrapped[rows] = known + rounds * _ROLLOVER
        return unwrapped


class TextTimes:
    """Reads a column of times that are text; the dates, of which there are few, are worked out once each."""

    def __init__(self, unit: str, zone: Any = UTC) -> None:
        """`zone` is that of times without one."""
        self.unit, self._zone = unit, zone
        self.bad = 0
        self.first_bad = ""
        self.notes: list[str] = []
        self._day_s: dict[str, float] = {}
        self._has_zone = False
        self._start_s: float | None = None
        self._last_s, self._days, self._hours = 0.0, 0, 0
        self._last_shown_s: float | None = None
        self._is_set_back = False

    @staticmethod
    def reads(unit: str) -> bool:
        return unit in ("clock", "minutes:seconds") or unit in _ORDERS

    def seconds(self, texts: list[str]) -> Any:
        """Seconds since 1970 or since midnight, NaN where a text is no such time."""
        read = {"clock": self._clock, "minutes:seconds": self._stopwatch}.get(self.unit, self._dated)
        out = np.empty(len(texts))
        for index, text in enumerate(texts):
            try:
                out[index] = read(text.strip().strip('"'))
            except (ValueError, IndexError, KeyError, OverflowError):
                out[index] = math.nan
                self.bad += 1
                self.first_bad = self.first_bad or text[:40]
        return out

    def from_start(self, seconds: Any) -> Any:
        """Seconds since the first row's whole second, or since the first time of day; these go on past midnight."""
        if self.unit in _ORDERS and not self._has_zone:
            seconds = self._in_universal_time(seconds)
        rows = np.flatnonzero(~np.isnan(seconds))
        if not rows.size:
            return seconds
        known = seconds[rows]
        if self._start_s is None:
            self._start_s = float(math.floor(known[0])) if self.unit in _ORDERS else float(known[0])
            self._last_s = float(known[0])
        if self.unit != "clock":
            return seconds - self._start_s
        steps = np.diff(known, prepend=self._last_s)
        days = self._days + np.cumsum(steps < -_HALF_DAY_S)
        hours = self._hours + np.cumsum(self._set_back(steps))
        self._days, self._hours, self._last_s = int(days[-1]), int(hours[-1]), float(known[-1])
        placed = np.full(seconds.size, math.nan)
        placed[rows] = known + days * _DAY_S + hours * _HOUR_S - self._start_s
        return placed

    @property
    def moment(self) -> datetime | None:
        """What `from_start` counts from, where the times have a date."""
        if self._start_s is None or self.unit not in _ORDERS:
            return None
        return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=self._start_s)

    def _set_back(self, steps: Any) -> Any:
        """Where the clock was set back by an hour, as at the end of summer time."""
        back = np.abs(steps + _HOUR_S) < _CLOCK_CHANGE_SLACK_S
        if back.any():
            self.notes.append("The clock was set back by an hour while it was logging; the times go on.")
        return back

    def _in_universal_time(self, seconds: Any) -> Any:
        """Times of the zone's own clock as seconds since 1970 (UTC), also across the change to or from summer time.

        The hour that comes twice in autumn is read the second time once the clock was set back within the log.
        """
        rows = np.flatnonzero(~np.isnan(seconds))
        if not rows.size:
            return seconds
        known = seconds[rows]
        # Clocks change at whole quarters of an hour, so each quarter is looked up once.
        different, place = np.unique(np.floor(known / 900.0), return_inverse=True)
        first, second = (
            np.array([_offset_s(quarter * 900.0, self._zone, fold) for quarter in different])[place] for fold in (0, 1)
        )
        is_first_block = self._last_shown_s is None
        steps = np.diff(known, prepend=known[0] if self._last_shown_s is None else self._last_shown_s)
        self._last_shown_s = float(known[-1])
        twice = first != second
        if twice.any():
            set_back = self._is_set_back | (np.cumsum(twice & self._set_back(steps)) > 0)
            if is_first_block and twice[0] and not set_back.any():
                self.notes.append(
                    "It begins in the hour that comes twice at the end of summer time; the first of the two is assumed."
                )
            self._is_set_back = bool(set_back[-1])
            first = np.where(set_back, second, first)
        universal = seconds.copy()
        universal[rows] = known - first
        return universal

    def _stopwatch(self, text: str) -> float:
        """Minutes and seconds since a start, "12:30.5", or with hours "1:02:30"."""
        parts = text.split(":")
        if not 2 <= len(parts) <= 3:
            raise ValueError(text)
        *whole, seconds = parts
        count = 0.0
        for part in whole:
            count = count * 60.0 + int(part)
        last = float(seconds.replace(",", "."))
        if not 0 <= last < 61:
            raise ValueError(text)
        return count * 60.0 + last

    def _clock(self, text: str) -> float:
        """A time of day, "11:05:30.25", "11:05" or "1:05:30 PM", as seconds since midnight."""
        half = 0.0
        if text[-1:] in "Mm":
            text, mark = text[:-2].rstrip(), text[-2:].lower()
            half = {"am": 0.0, "pm": _HALF_DAY_S}[mark]
            if text.split(":")[0].lstrip("0") == "12":
                half -= _HALF_DAY_S
        parts = text.split(":")
        if not 2 <= len(parts) <= 3:
            raise ValueError(text)
        hours, minutes = int(parts[0]), int(parts[1])
        seconds = float(parts[2].replace(",", ".")) if len(parts) == 3 else 0.0
        if not (0 <= hours <= 24 and 0 <= minutes < 60 and 0 <= seconds < 61):
            raise ValueError(text)
        return hours * 3600.0 + minutes * 60.0 + seconds + half

    def _dated(self, text: str) -> float:
        day, _, clock = text.replace("T", " ", 1).partition(" ")
        clock = clock.strip()
        day_s = self._day_s.get(day)
        if day_s is None:
            day_s = self._day_s[day] = self._midnight(day)
        shift = 0.0
        if clock[-1:] in "Zz":
            clock, self._has_zone = clock[:-1], True
        elif "+" in clock or "-" in clock:
            match = re.fullmatch(r"(.*?) ?([+-])(\d{2}):?(\d{2})?", clock)
            if match is None:
                raise ValueError(text)
            clock, self._has_zone = match[1], True
            shift = (int(match[3]) * 3600.0 + int(match[4] or 0) * 60.0) * (1 if match[2] == "+" else -1)
        return day_s + (self._clock(clock) if clock else 0.0) - shift

    def _midnight(self, day: str) -> float:
        parts = [int(part) for part in re.split(r"[-/.]", day)]
        if len(parts) != 3:
            raise ValueError(day)
        year, month, of_month = (parts[place] for place in _ORDERS[self.unit])
        if year < 100:
            year += 2000
        return float(calendar.timegm(datetime(year, month, of_month).timetuple()))


def _offset_s(local_s: float, zone: Any, fold: int) -> float:
    """How far a zone's clock is ahead of universal time when it shows these seconds since 1970."""
    shown = datetime(1970, 1, 1) + timedelta(seconds=local_s)
    offset = shown.replace(tzinfo=zone, fold=fold).utcoffset()
    return 0.0 if offset is None else offset.total_seconds()
