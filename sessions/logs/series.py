"""A recording of any source: named columns over one clock."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np

MOST_ROWS = 3_000_000
"""Nine hours at a hundred rows a second; each column of so many rows takes 24 MB of memory."""


class NotARecording(ValueError):
    """The file cannot be read; the message is a sentence that says what is wrong, and where."""


@dataclass(frozen=True)
class Recording:
    """Columns of one length, NaN where nothing was measured. `time_s` grows and counts from the first row;
    it is missing where a track has no times. `first_at` is None where the clock has no date."""

    first_at: datetime | None
    columns: dict[str, Any]
    notes: list[str] = field(default_factory=list)

    @property
    def row_count(self) -> int:
        return max((column.size for column in self.columns.values()), default=0)

    @property
    def duration_s(self) -> float | None:
        times = self.columns.get("time_s")
        return None if times is None else float(times[-1])


def positions(columns: dict[str, Any]) -> dict[str, Any] | None:
    """The rows at which a position is known: degrees, and times where the recording has any; None without positions."""
    if not {"lat_deg", "lon_deg"} <= set(columns):
        return None
    good = ~(np.isnan(columns["lat_deg"]) | np.isnan(columns["lon_deg"]))
    return {name: columns[name][good] for name in ("time_s", "lat_deg", "lon_deg") if name in columns}


def running_forwards(seconds: Any) -> Any:
    """Which rows to keep so that the times grow: a row whose time stays the same or goes back is left out."""
    times_s = np.where(np.isnan(seconds), -np.inf, seconds)
    latest = np.maximum.accumulate(times_s)
    return times_s > np.concatenate([[-np.inf], latest[:-1]])
