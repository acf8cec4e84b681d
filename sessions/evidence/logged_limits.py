"""Limits of the build that logs were beyond, and that nobody recorded as a failure."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from buildlog.failures.models import Failure
from buildlog.machines.machine import Machine
from calc.quantities import written
from sessions.evidence.reader import Evidence
from sessions.logs.events import Limit, limits_of


@dataclass(frozen=True)
class LoggedBeyond:
    """A limit that the logs of some sessions were beyond: the worst of them, and how many there are."""

    limit: Limit
    worst: float
    session: uuid.UUID
    started_at: datetime
    count: int

    def sentence(self, system: str = "metric") -> str:
        """The worst of them, in words."""
        worst, at = (written(value, self.limit.kind, system, digits=3) for value in (self.worst, self.limit.value))
        others = "" if self.count == 1 else f", the worst of {self.count} sessions"
        return f"The log of {self.started_at.astimezone():%Y-%m-%d} has {worst}, and the limit is {at}{others}."


def beyond_in_logs(
    evidence: Evidence, machines: Mapping[uuid.UUID, Machine], failures: Iterable[Failure]
) -> list[LoggedBeyond]:
    """What the logs of sessions were beyond, one row for each limit, by the ends of their columns: no recording is
    opened. A session in which the failure of that name is recorded is settled."""
    settled = {(failure.session_id, failure.mode.name) for failure in failures if failure.session_id is not None}
    limits = {revision: limits_of(machine) for revision, machine in machines.items()}
    seen: dict[str, list[tuple[Limit, float, int]]] = {}
    for log in evidence.logs:
        for limit in limits.get(evidence.revision[log.row], ()):
            worst = limit.worst_in(log.summary)
            if worst is not None and (uuid.UUID(evidence.text[log.row]), limit.mode) not in settled:
                seen.setdefault(limit.mode, []).append((limit, worst, log.row))
    listed = []
    for rows in seen.values():
        limit, worst, row = max(rows, key=_how_far)
        sessions = {row for _, _, row in rows}
        session = uuid.UUID(evidence.text[row])
        listed.append(LoggedBeyond(limit, worst, session, evidence.started_at[row], len(sessions)))
    return listed


def _how_far(row: tuple[Limit, float, int]) -> float:
    limit, worst, _ = row
    return worst - limit.value if limit.above else limit.value - worst
