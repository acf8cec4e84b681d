"""Which rides have a distance or a time in doubt: for exposure these count as unknown."""

from __future__ import annotations

import numpy as np

from buildlog.machines.models import Vehicle
from sessions.evidence.doubts import MachineDoubts, doubts_of_machine

FACTS = ("distance_m", "runtime_s")


def doubtful_rides(vehicle: Vehicle) -> dict[str, set[str]]:
    """Of each fact that exposure takes from a session, the keys of the sessions where it is in doubt."""
    return doubtful_in(doubts_of_machine(vehicle))


def doubtful_in(doubts: MachineDoubts) -> dict[str, set[str]]:
    """The same, of doubts that a page has worked out already."""
    rows = doubts.rows("session")
    masks = doubts.facts_in_doubt("session") if rows.count else {}
    return {name: {rows.key(int(row)).hex for row in np.flatnonzero(masks[name])} for name in FACTS if name in masks}
