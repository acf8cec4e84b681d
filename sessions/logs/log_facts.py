"""Facts of a session from its logs, for the results of the session."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from calc.session_facts import LogFacts, of_several_logs
from sessions.logs.models.logs import facts_in
from sessions.outings.models import Assumptions


def log_facts(summaries: list[Any], known: Assumptions) -> LogFacts | None:
    """The facts of all logs of a session; a current sensor is uncertain by a share, like a counter."""
    combined = of_several_logs([facts for facts in map(facts_in, summaries) if facts is not None])
    if combined is None or combined.charge_ah is None or combined.energy_wh is None:
        return combined
    return replace(
        combined,
        u_charge_ah=abs(combined.charge_ah) * known.u_charge_fraction,
        u_energy_wh=abs(combined.energy_wh) * known.u_energy_fraction,
    )
