"""A recording of any source: named columns over one clock, which come a block of rows at a time."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Protocol

import numpy as np

MOST_ROWS = 3_000_000
"""Nine hours at a hundred rows a second."""


class NotARecording(ValueError):
    """The file cannot be read; the message is a sentence that says what is wrong, and where."""


class Recording(Protocol):
    """A file of an instrument that is read.

    Columns have one length in each block, NaN where nothing was measured. `time_s` grows and counts from the first
    row; it is missing where a track has no times. `first_at` and `notes` are known once all blocks are read;
    `first_at` is None where the clock has no date.
    """

    first_at: datetime | None
    notes: list[str]

    def blocks(self) -> Iterator[Mapping[str, Any]]:
        """Read the file from the first row to the last. Raises NotARecording, at its end at the latest."""
        ...


@dataclass
class ShortRecording:
    """One that is small enough to be in memory whole."""

    first_at: datetime | None
    columns: dict[str, Any]
    notes: list[str] = field(default_factory=list)

    def blocks(self) -> Iterator[Mapping[str, Any]]:
        yield self.columns


def positions(columns: Mapping[str, Any]) -> dict[str, Any] | None:
    """The rows at which a position is known: degrees, and times where the recording has any; None without positions."""
    if not {"lat_deg", "lon_deg"} <= set(columns):
        return None
    read = {name: columns[name] for name in ("time_s", "lat_deg", "lon_deg") if name in columns}
    good = ~(np.isnan(read["lat_deg"]) | np.isnan(read["lon_deg"]))
    return {name: values[good] for name, values in read.items()}


class RunningForwards:
    """Chooses the rows whose times grow: one whose time stays the same, goes back or is unknown is left out."""

    def __init__(self) -> None:
        self.rows = self.kept = self.first_left_out = 0
        self._latest_s = -np.inf

    def keep(self, seconds: Any) -> Any:
        """Which of the rows that follow to keep."""
        times_s = np.where(np.isnan(seconds), -np.inf, seconds)
        latest = np.maximum.accumulate(np.append(self._latest_s, times_s))
        forwards = times_s > latest[:-1]
        if self.kept == self.rows and not forwards.all():
            self.first_left_out = self.rows + int(np.argmin(forwards))
        self._latest_s = float(latest[-1])
        self.rows += forwards.size
        self.kept += int(forwards.sum())
        return forwards
