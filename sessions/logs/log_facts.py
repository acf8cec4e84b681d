"""What the logs of a session say, as the results of the session take it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from calc.session_facts import LogFacts, of_several_logs
from sessions.logs.models.logs import facts_in
from sessions.outings.models import Assumptions


def log_facts(summaries: list[Any], known: Assumptions) -> LogFacts | None:
    """What a session's logs say together; their current sensors are wrong by a share, as a counter is."""
    combined = of_several_logs([facts for facts in map(facts_in, summaries) if facts is not None])
    if combined is None or combined.charge_ah is None or combined.energy_wh is None:
        return combined
    return replace(
        combined,
        u_charge_ah=abs(combined.charge_ah) * known.u_charge_fraction,
        u_energy_wh=abs(combined.energy_wh) * known.u_energy_fraction,
    )
