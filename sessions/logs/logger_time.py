"""Times as loggers write them: numbers since a start, seconds since 1970, times of day, dates in three orders."""

from __future__ import annotations

import calendar
import math
import re
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

_SECONDS_IN = {"seconds": 1.0, "milliseconds": 1e-3, "microseconds": 1e-6, "minutes": 60.0}
_EPOCH = {"epoch seconds": 1.0, "epoch milliseconds": 1e-3}
_ORDERS = {"year-month-day": (0, 1, 2), "day.month.year": (2, 1, 0), "month/day/year": (2, 0, 1)}
_HALF_DAY_S, _DAY_S = 43_200.0, 86_400.0
_EARLIEST, _LATEST = datetime(1990, 1, 1, tzinfo=UTC), datetime(2100, 1, 1, tzinfo=UTC)


class NumberTimes:
    """Reads a column of times that are numbers, block by block."""

    def __init__(self, unit: str) -> None:
        self._unit = unit
        self._start_s: float | None = None
        self.moment: datetime | None = None
        """What the seconds count from, where it is known."""

    def seconds(self, values: Any) -> Any:
        """Seconds since the first row's whole second where the numbers are dates, since the logger's own start else."""
        if self._unit in _SECONDS_IN:
            return values * _SECONDS_IN[self._unit]
        seconds = values * _EPOCH[self._unit]
        if self._start_s is None:
            known = seconds[~np.isnan(seconds)]
            if not known.size:
                return seconds
            self._start_s = 0.0
            if _EARLIEST.timestamp() <= known[0] <= _LATEST.timestamp():
                self._start_s = float(math.floor(known[0]))
                self.moment = datetime.fromtimestamp(self._start_s, UTC)
        return seconds - self._start_s


class TextTimes:
    """Reads a column of times that are text; the dates, of which there are few, are worked out once each."""

    def __init__(self, unit: str) -> None:
        self.unit = unit
        self.bad = 0
        self.first_bad = ""
        self._day_s: dict[str, float] = {}
        self._has_zone = False
        self._start_s: float | None = None
        self._last_s, self._days = 0.0, 0

    @staticmethod
    def reads(unit: str) -> bool:
        return unit == "clock" or unit in _ORDERS

    def seconds(self, texts: list[str]) -> Any:
        """Seconds since 1970 or since midnight, NaN where a text is no such time."""
        read = self._clock if self.unit == "clock" else self._dated
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
        rows = np.flatnonzero(~np.isnan(seconds))
        if not rows.size:
            return seconds
        known = seconds[rows]
        if self._start_s is None:
            self._start_s = float(known[0]) if self.unit == "clock" else float(math.floor(known[0]))
            self._last_s = float(known[0])
        if self.unit != "clock":
            return seconds - self._start_s
        days = self._days + np.cumsum(np.diff(known, prepend=self._last_s) < -_HALF_DAY_S)
        self._days, self._last_s = int(days[-1]), float(known[-1])
        placed = np.full(seconds.size, math.nan)
        placed[rows] = known + days * _DAY_S - self._start_s
        return placed

    def moment(self, zone: Any) -> datetime | None:
        """What `from_start` counts from, where the times have a date; `zone` is that of times without one."""
        if self._start_s is None or self.unit == "clock":
            return None
        moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=self._start_s)
        return moment if self._has_zone else moment.replace(tzinfo=zone).astimezone(UTC)

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
