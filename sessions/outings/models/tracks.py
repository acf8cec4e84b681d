"""Positions that a phone recorded while its page was open."""

from __future__ import annotations

import itertools
import uuid
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models

from buildlog.records.models import MadeRecord
from sessions.outings.models.outings import Session

MOST_FIXES = 2000
FIX = ("time into the session in s", "latitude", "longitude", "accuracy in m", "and, where it is known, speed in m/s")


class TrackPart(MadeRecord):
    """A few minutes of a satellite track: rows of time into the session, latitude, longitude, accuracy, and the
    receiver's own speed where it gave one.

    A track comes in parts, so that a phone that dies loses at most the last of them.
    """

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    session = models.ForeignKey(Session, on_delete=models.CASCADE, related_name="track_parts")
    fixes = models.JSONField(default=list)
    first_fix_s = models.FloatField(editable=False, default=0.0)
    stopped_by_phone = models.BooleanField("the phone stopped it", default=False)

    class Meta:
        ordering = ["session_id", "first_fix_s"]

    def __str__(self) -> str:
        return f"{len(self.fixes)} positions from {self.first_fix_s / 60:.1f} min"

    def clean(self) -> None:
        fixes: Any = self.fixes
        if not isinstance(fixes, list) or not 1 <= len(fixes) <= MOST_FIXES:
            raise ValidationError({"fixes": f"A part of a track has 1 to {MOST_FIXES} positions."})
        for number, fix in enumerate(fixes, start=1):
            if not _is_fix(fix):
                raise ValidationError(
                    {
                        "fixes": f"Position {number} is not {', '.join(FIX)}; write for example "
                        "[12.5, 61.0412, 24.9175, 4.0]."
                    }
                )
        if any(later[0] < earlier[0] for earlier, later in itertools.pairwise(fixes)):
            raise ValidationError({"fixes": "Times must not run backwards within a part."})
        self.first_fix_s = float(fixes[0][0])


def _is_fix(fix: Any) -> bool:
    if not isinstance(fix, list) or len(fix) not in (4, 5):
        return False
    time_s, latitude, longitude, accuracy_m, *speed = fix
    numbers = [value for value in fix if value is not None]
    if any(isinstance(value, bool) or not isinstance(value, (int, float)) for value in numbers):
        return False
    if None in (time_s, latitude, longitude):
        return False
    # A NaN fails every comparison, and so do numbers too large to be a float.
    return (
        0 <= time_s <= 1e6
        and -90 <= latitude <= 90
        and -180 <= longitude <= 180
        and (accuracy_m is None or 0 <= accuracy_m <= 1e6)
        and all(speed_mps is None or 0 <= speed_mps <= 1000 for speed_mps in speed)
    )
