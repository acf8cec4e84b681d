"""Aligning the clocks of a session's logs by the speeds that both recorded."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calc.alignment import clock_offset_s
from sessions.logs.models import Log
from sessions.logs.timeline import Timeline, Trace

LOWEST_CORRELATION = 0.6
"""Below this correlation two speeds are not of one ride, or hardly vary (common practice, no source)."""


@dataclass(frozen=True)
class Suggestion:
    """Where a log would begin for its speeds to agree with another's."""

    log: Log
    against: Log
    begins_s: float
    moved_s: float
    correlation: float
    rivals: tuple[tuple[float, float], ...] = ()
    """Other moves that agree nearly as well, with their correlations: laps ridden alike."""

    @property
    def agrees(self) -> bool:
        return self.correlation >= LOWEST_CORRELATION

    @property
    def is_worth_taking(self) -> bool:
        return self.agrees and not self.rivals and abs(self.moved_s) >= 0.05


def suggestions_of(timeline: Timeline) -> list[Suggestion]:
    """For each further log with a speed, where it agrees best with the one that stays as it is.

    The log with a clock of its own stays; of several, the one with a track, for satellites keep the best time.
    """
    by_log: dict[object, Trace] = {}
    for trace in timeline.speeds:
        by_log.setdefault(trace.log.pk, trace)
    listed = sorted(by_log.values(), key=lambda trace: (trace.log.first_at is None, not trace.log.is_track))
    fixed = listed[0].series() if len(listed) > 1 else None
    suggestions = []
    for trace in listed[1:]:
        series = trace.series()
        if fixed is None or series is None:
            continue
        try:
            offset = clock_offset_s(
                fixed.time_s, np.maximum(fixed.values, 0.0), series.time_s, np.maximum(series.values, 0.0)
            )
        except ValueError:
            # Too short, or a speed that never changes: there is nothing to align.
            continue
        begins_s = series.log.begins_s + offset.offset_s
        suggestions.append(
            Suggestion(series.log, fixed.log, begins_s, offset.offset_s, offset.correlation, offset.rivals)
        )
    return suggestions
