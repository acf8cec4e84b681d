"""Length and gaps of a track that was recorded in parts."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass

from calc import geodesy
from sessions.outings.models import TrackPart

WORST_ACCURACY_M = 25.0
SMALLEST_STEP_M = 5.0
LONGEST_SILENCE_S = 30.0
"""Noise rule (common practice, no source): a position the phone calls worse than 25 m is left out, and
one nearer than 5 m to the last counted one does not add to the length. A silence of more than half a
minute is a gap, which the length crosses in a straight line."""


@dataclass(frozen=True)
class Track:
    fixes: int
    length_m: float
    first_s: float
    last_s: float
    gaps: list[tuple[float, float]]
    stopped_by_phone: bool


def track_of(parts: Iterable[TrackPart]) -> Track | None:
    """Length and gaps of a track, or None when there are not two good positions."""
    listed = list(parts)
    good = sorted(
        (fix for part in listed for fix in part.fixes if fix[3] is None or fix[3] <= WORST_ACCURACY_M),
        key=lambda fix: fix[0],
    )
    if len(good) < 2:
        return None
    length_m = geodesy.track_length_m([fix[1] for fix in good], [fix[2] for fix in good], SMALLEST_STEP_M)
    gaps = [
        (earlier[0], later[0])
        for earlier, later in itertools.pairwise(good)
        if later[0] - earlier[0] > LONGEST_SILENCE_S
    ]
    stopped = any(part.stopped_by_phone for part in listed)
    return Track(len(good), length_m, good[0][0], good[-1][0], gaps, stopped)
