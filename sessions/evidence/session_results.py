"""The results of one session as its page shows them."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from calc.declaration import Measured
from calc.doubts.careful_results import CarefulReport, careful_report
from calc.session_sheet import SessionReport
from sessions.evidence.doubts import doubts_of_session
from sessions.evidence.left_out import LeftOut
from sessions.evidence.reader import Evidence, recorded
from sessions.outings.models import Pass, Session


@dataclass(frozen=True)
class PassRow:
    """A pass with the uncertainty of its time and its speed, for the page."""

    run: Pass
    u_duration_s: float | None
    speed: Measured | None
    """None where the gate has no length."""
    in_doubt: bool = False


EARLIER = 12
"""So many earlier sessions are shown beside one."""


class EarlierSessions:
    """The machine's sessions before one, without what is in doubt: all rows of an evidence but its last."""

    def __init__(self, evidence: Evidence) -> None:
        self.evidence = evidence
        self.count = evidence.count - 1

    def values(self, key: str) -> Any:
        """One result of each, NaN where it could not be worked out."""
        return self.evidence.values(key)[: self.count]

    def recorded(self, key: str) -> list[float]:
        """The results of those for which it could be worked out."""
        return recorded(self.values(key), slice(None)).tolist() if self.count else []

    @property
    def last(self) -> uuid.UUID | None:
        """The key of the one right before."""
        return self.evidence.key(self.count - 1) if self.count else None


class SessionBesideEarlier:
    """A session and the machine's twelve before it, read and worked out together."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.evidence = Evidence.of_session(session, EARLIER)
        self.doubts = doubts_of_session(session, self.evidence)
        """Those of the session; what is left out is of the earlier ones as well."""
        self.left_out = LeftOut(self.doubts)

    @cached_property
    def beyond_doubt(self) -> Evidence:
        return self.evidence.without_doubtful(self.left_out)

    @property
    def as_stored(self) -> SessionReport:
        """The results of the session, also those that rest on a value in doubt."""
        return self.evidence.reports[self.evidence.count - 1]

    @property
    def beyond_doubt_report(self) -> SessionReport:
        """The results of the session with unknown values in place of those in doubt."""
        return self.beyond_doubt.reports[self.evidence.count - 1]

    @cached_property
    def report(self) -> SessionReport | CarefulReport:
        """The results of the session; where a value of it is in doubt, none that would make a guard less careful."""
        if not self.left_out.count:
            return self.as_stored
        return careful_report(self.as_stored, self.beyond_doubt_report)

    @cached_property
    def earlier(self) -> EarlierSessions:
        return EarlierSessions(self.beyond_doubt)


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
