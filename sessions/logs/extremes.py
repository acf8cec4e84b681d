"""The lowest and the highest of every few samples of a line, made ready when a log is imported.

A screen shows a few hundred points of a line. From a long log they are picked out of these, so that its million rows
are not read for each look, and every peak is still there.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from sessions.logs.channels import Channel, Columns, known_rows, samples_of

SAMPLES = 128
"""The lowest and the highest of so many samples are kept. With more, the rows themselves would have to be read for
longer stretches; with fewer, these would be as long to read as the rows."""


class Extremes:
    """The extremes of one channel, gathered from columns that come in blocks."""

    def __init__(self, channel: Channel) -> None:
        self._channel = channel
        self._before: dict[str, Any] | None = None
        self._waiting = np.empty((2, 0))
        self._rows: list[Any] = []
        self._count = 0
        self._ends: list[list[float]] = []

    def add(self, columns: Columns) -> None:
        """Take in the rows that follow."""
        known = known_rows(self._channel, columns)
        if not self._channel.needs_neighbours:
            self._take(*samples_of(self._channel, known))
            return
        # The last row waits for its neighbour, and the one before it is its other.
        if self._before is not None:
            known = {name: np.append(self._before[name], values) for name, values in known.items()}
        if known["time_s"].size < 2:
            self._before = known
            return
        times, values = known["time_s"], self._channel.of(known)
        first = 1 if self._count else 0
        self._take(times[first:-1], values[first:-1])
        self._before = {name: column[-2:] for name, column in known.items()}

    def _take(self, times: Any, values: Any) -> None:
        if (nothing := np.isnan(values)).any():
            times, values = times[~nothing], values[~nothing]
        if not times.size:
            return
        if not self._count:
            self._ends = [[float(times[0]), float(values[0])]]
        self._count += times.size
        self._ends[1:] = [[float(times[-1]), float(values[-1])]]
        # First what fills the stretch that was begun before, then whole stretches, which are not copied.
        begun = self._waiting.shape[1]
        head = min(SAMPLES - begun, times.size) if begun else 0
        if begun:
            self._waiting = np.concatenate([self._waiting, [times[:head], values[:head]]], axis=1)
            if self._waiting.shape[1] < SAMPLES:
                return
            self._keep(*self._waiting.reshape(2, 1, -1))
        stop = head + (times.size - head) // SAMPLES * SAMPLES
        self._keep(times[head:stop].reshape(-1, SAMPLES), values[head:stop].reshape(-1, SAMPLES))
        self._waiting = np.array([times[stop:], values[stop:]])

    def _keep(self, times: Any, values: Any) -> None:
        rows = np.arange(values.shape[0])
        lowest, highest = values.argmin(axis=1), values.argmax(axis=1)
        first, last = np.minimum(lowest, highest), np.maximum(lowest, highest)
        kept = [times[rows, first], values[rows, first], times[rows, last], values[rows, last]]
        self._rows.append(np.stack(kept, axis=1))

    def finished(self) -> tuple[Any, dict[str, Any]]:
        """Rows of time and value of the earlier extreme and of the later, in order of time; and what is noted of them:
        how many samples there are, and the first and the last of all."""
        if self._before is not None and self._before["time_s"].size > 1:
            times, values = self._before["time_s"], self._channel.of(self._before)
            self._take(times[1:], values[1:])
        if self._waiting.size:
            self._keep(*self._waiting.reshape(2, 1, -1))
            self._waiting = np.empty((2, 0))
        return np.concatenate([np.empty((0, 4)), *self._rows]), {"count": self._count, "ends": self._ends}
