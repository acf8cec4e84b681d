"""The rides of machines as exposure takes them: what is stored of each, and which have a value in doubt."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime

import numpy as np

from buildlog.failures.exposure import StoredRide
from buildlog.machines.models import Vehicle
from sessions.evidence.doubt_facts import MachineRows
from sessions.evidence.doubts import MachineDoubts
from sessions.evidence.season import Season

FACTS = ("distance_m", "runtime_s", "charge_used_ah")


def doubtful_rides(vehicles: Collection[Vehicle], since: datetime | None = None) -> dict[str, set[str]]:
    """Of each fact that exposure takes from a session, the keys of the sessions where it is in doubt: of all, or of
    those since a moment."""
    return doubtful_in(MachineDoubts(MachineRows.of_machines(vehicles, since)))


def doubtful_in(doubts: MachineDoubts) -> dict[str, set[str]]:
    """The same, of doubts that a page has worked out already."""
    rows = doubts.rows("session")
    masks = doubts.facts_in_doubt("session") if rows.count else {}
    return {name: {rows.key(int(row)).hex for row in np.flatnonzero(masks[name])} for name in FACTS if name in masks}


def rides_of(season: Season) -> list[StoredRide]:
    """Of a season that a page has read, with everything that is stored, also what is in doubt."""
    numbers = {revision.pk: revision.number for revision in season.revisions}
    tracks_m: dict[int, float] = {}
    for log in season.logs:
        if log.length_m is not None:
            tracks_m[log.row] = max(log.length_m, tracks_m.get(log.row, 0.0))
    facts = ([_known(season.numbers[name][row]) for name in FACTS] for row in range(season.count))
    return [
        StoredRide(
            season.text[row], season.revision[row], numbers[season.revision[row]], season.started_at[row],
            distance_m, runtime_s, season.distance_method[row], charge_ah, tracks_m.get(row),
        )
        for row, (distance_m, runtime_s, charge_ah) in enumerate(facts)
    ]  # fmt: skip


def _known(value: float) -> float | None:
    return None if np.isnan(value) else float(value)
