"""The rides of machines as exposure takes them: what is stored of each, and which have a value in doubt."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from functools import cached_property
from typing import Any

import numpy as np

from buildlog.failures.exposure import StoredRide
from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision, Vehicle
from buildlog.machines.queries import LINE, read_lines
from buildlog.storage.columns import as_text, column_blocks, floats
from sessions.evidence.doubt_facts import MachineRows, Rows
from sessions.evidence.doubts import MachineDoubts
from sessions.evidence.pass_columns import gates_by_text
from sessions.evidence.reader import Evidence
from sessions.evidence.season import Season
from sessions.outings.models import Pass, Session

FACTS = ("distance_m", "runtime_s", "charge_used_ah")
_OF_READINGS = ("time_into_session_s", "charge_used_ah", "distance_m")


class RideRows(MachineRows):
    """The facts of machines as far as sessions are doubted for them: of passes and readings only what their sessions
    are held against, which is a third of their columns."""

    @classmethod
    def of_machines(cls, vehicles: Collection[Vehicle], since: datetime | None = None) -> RideRows:
        """All records of some machines, in as many queries as for one; their revisions may be at hand.

        With `since`, the sessions from that moment on and their builds: whether a session is in doubt rests on what
        belongs to it and on its build.
        """
        lines = [getattr(vehicle, LINE, None) for vehicle in vehicles]
        if None in lines:
            lines = [read_lines(Revision.objects.filter(vehicle__in=vehicles).order_by().values("pk"))]
        machines = {revision.pk: Machine(revision) for line in lines for revision in line or ()}
        sessions = Session.objects.filter(revision__in=machines)
        if since is None:
            return cls(vehicles, Evidence(sessions, machines), machines.values())
        evidence = Evidence(sessions.filter(started_at__gte=since), machines)
        return cls(vehicles, evidence, [machines[key] for key in sorted(set(evidence.revision))])

    @cached_property
    def passes(self) -> Rows:
        if not self.evidence.count:
            return Rows()
        passes = Pass.objects.filter(self.evidence.of_sessions(), valid=True).order_by()
        rows = passes.annotate(session_text=as_text("session_id"), gate_text=as_text("gate_id"), text=as_text("id"))
        names = ("session_text", "gate_text", "text", "duration_s", "time_into_session_s")
        blocks = [
            (*(np.array(column, dtype=object) for column in block[:3]), *map(floats, block[3:]))
            for block in column_blocks(rows, names)
        ]
        if not blocks:
            return Rows()
        sessions, gate, texts, duration_s, into_session_s = (
            np.concatenate(column) for column in zip(*blocks, strict=True)
        )
        gates = gates_by_text(set(gate))
        length_m = floats([gates[text].length_m if text in gates else None for text in gate])
        known = {"duration_s": duration_s, "gate_length_m": length_m, "time_into_session_s": into_session_s}
        # As everywhere, a pass through a gate that lost its marks is none.
        timed = np.flatnonzero(~np.isnan(length_m))
        owner = self.sessions.rows_of(sessions[timed])
        return Rows(texts[timed].tolist(), {name: column[timed] for name, column in known.items()}, owner)

    @cached_property
    def readings(self) -> Rows:
        if not self.evidence.count:
            return Rows()
        values, owner, text = self.evidence.read_readings(_OF_READINGS)
        return Rows(text, values, owner)


def doubtful_rides(vehicles: Collection[Vehicle], since: datetime | None = None) -> dict[str, set[str]]:
    """Of each fact that exposure takes from a session, the keys of the sessions where it is in doubt: of all, or of
    those since a moment."""
    return doubtful_in(MachineDoubts(RideRows.of_machines(vehicles, since)))


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
    facts = zip(*(_known(season.numbers[name]) for name in FACTS), strict=True)
    return [
        StoredRide(
            season.text[row], season.revision[row], numbers[season.revision[row]], season.started_at[row],
            distance_m, runtime_s, season.distance_method[row], charge_ah, tracks_m.get(row),
        )
        for row, (distance_m, runtime_s, charge_ah) in enumerate(facts)
    ]  # fmt: skip


def _known(values: Any) -> list[float | None]:
    """A column of numbers with None where one is not known."""
    return [None if value != value else value for value in values.tolist()]
