"""Facts of a session from its logs, for the results of the session."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from calc.joined_logs import PlacedLog, of_several_logs
from calc.session_facts import LogFacts
from sessions.logs.models.logs import facts_in
from sessions.outings.models import Assumptions

EARLIEST_S, LATEST_S = -1800.0, 86_400.0
"""A log that begins earlier or later than this, into the session, is of another outing, or its clock was wrong."""


class StoredLog(NamedTuple):
    """What is stored of a log of a session, as far as its facts go."""

    name: str
    summary: Any
    first_at: datetime | None
    begins_into_session_s: float | None


def log_facts(logs: list[StoredLog], started_at: datetime, known: Assumptions) -> LogFacts | None:
    """The facts of all logs of a session; a current sensor is uncertain by a share, like a counter.

    That share holds for all of its samples alike, so the scatter about a fitted resistance does not show it.
    """
    placed = [
        PlacedLog(log.name, _begins_s(log, started_at), facts)
        for log in logs
        if (facts := facts_in(log.summary)) is not None
    ]
    combined = of_several_logs(placed)
    if combined is not None and combined.resistance_ohm is not None and combined.u_resistance_ohm is not None:
        combined = replace(
            combined,
            u_resistance_ohm=math.hypot(combined.u_resistance_ohm, combined.resistance_ohm * known.u_charge_fraction),
        )
    if combined is None or combined.charge_ah is None or combined.energy_wh is None:
        return combined
    return replace(
        combined,
        u_charge_ah=abs(combined.charge_ah) * known.u_charge_fraction,
        u_energy_wh=abs(combined.energy_wh) * known.u_energy_fraction,
    )


def _begins_s(log: StoredLog, started_at: datetime) -> float | None:
    """Where it begins, into the session; None where nobody knows."""
    begins_s = log.begins_into_session_s
    if begins_s is None and log.first_at is not None:
        begins_s = (log.first_at - started_at) / timedelta(seconds=1)
    return begins_s if begins_s is not None and EARLIEST_S <= begins_s <= LATEST_S else None
