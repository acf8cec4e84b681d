"""The results of one session as its page shows them."""

from __future__ import annotations

import uuid
from dataclasses import dataclass

from calc.declaration import Measured
from sessions.evidence.reader import Evidence
from sessions.outings.models import Pass, Session


@dataclass(frozen=True)
class PassRow:
    """A pass with the uncertainty of its time and its speed, for the page."""

    run: Pass
    u_duration_s: float | None
    speed: Measured | None
    """None where the gate has no length."""


def pass_rows(session: Session, evidence: Evidence) -> list[PassRow]:
    """The passes of one session with their uncertainty and speed, also those that do not count."""
    passes = evidence.all_passes
    speed, u_duration_s = passes.speed, passes.columns["u_duration_s"]
    place = {uuid.UUID(text): index for index, text in enumerate(passes.text)}
    rows = []
    for run in session.passes.all():
        index = place.get(run.pk)
        if index is None:
            rows.append(PassRow(run, None, None))
        else:
            measured = Measured(float(speed.value[index]), float(speed.u[index]))
            rows.append(PassRow(run, float(u_duration_s[index]), measured))
    return rows
