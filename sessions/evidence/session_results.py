"""The results of one session as its page shows them."""

from __future__ import annotations

import uuid
from dataclasses import dataclass

from calc.declaration import Measured
from calc.doubts.careful_results import CarefulReport, careful_report
from calc.session_sheet import SessionReport
from sessions.evidence.left_out import LeftOut
from sessions.evidence.reader import Evidence
from sessions.outings.models import Pass, Session


@dataclass(frozen=True)
class PassRow:
    """A pass with the uncertainty of its time and its speed, for the page."""

    run: Pass
    u_duration_s: float | None
    speed: Measured | None
    """None where the gate has no length."""
    in_doubt: bool = False


def report_of(evidence: Evidence, left_out: LeftOut) -> SessionReport | CarefulReport:
    """The results of one session; where a value of it is in doubt, none that would make a guard less careful."""
    whole = evidence.reports[0]
    if not left_out.count:
        return whole
    return careful_report(whole, evidence.without_doubtful(left_out).reports[0])


def pass_rows(session: Session, evidence: Evidence, left_out: LeftOut) -> list[PassRow]:
    """The passes of one session with their uncertainty and speed, also those that do not count or are in doubt."""
    passes = evidence.all_passes
    speed, u_duration_s = passes.speed, passes.columns["u_duration_s"]
    in_doubt = left_out.passes(passes.text)
    place = {uuid.UUID(text): index for index, text in enumerate(passes.text)}
    rows = []
    for run in session.passes.all():
        index = place.get(run.pk)
        if index is None:
            rows.append(PassRow(run, None, None))
        else:
            measured = Measured(float(speed.value[index]), float(speed.u[index]))
            speed_of_run = None if run.start else measured
            rows.append(PassRow(run, float(u_duration_s[index]), speed_of_run, bool(in_doubt[index])))
    return rows
