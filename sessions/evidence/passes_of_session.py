"""The facts that passes of one session are doubted by, without what only other records are doubted by.

A phone stores each pass by itself and asks what is doubted about it: its session, the other passes and the build tell.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np

from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision
from buildlog.machines.queries import fittings_with_parts
from buildlog.storage.columns import floats
from calc.doubts.timing_rules import FACTS
from sessions.evidence.doubt_facts import MachineRows, Rows
from sessions.evidence.pass_columns import gates_by_key
from sessions.outings.models import Pass, Session

_STORED = tuple(fact.name for fact in FACTS)


class PassesOfSession(MachineRows):
    """A session's passes that count, with what they are held against."""

    def __init__(self, session: Session) -> None:
        revisions = Revision.objects.select_related("vehicle").prefetch_related(fittings_with_parts())
        revision = revisions.get(pk=session.revision_id)
        super().__init__([revision.vehicle], None, [Machine(revision)], session)
        self._of = session

    @property
    def revision_of(self) -> Any:
        return np.zeros(1, dtype=np.intp)

    @cached_property
    def sessions(self) -> Rows:
        """The one session, of which passes need two times only."""
        session = self._of
        elapsed = None if session.ended_at is None else (session.ended_at - session.started_at).total_seconds()
        known = {"runtime_s": floats([session.runtime_s]), "elapsed_s": floats([elapsed])}

        def label(_: int) -> str:
            return f"{session.venue.name}, {session.started_at.astimezone():%Y-%m-%d}"

        return Rows([str(session.pk)], known, np.zeros(1, dtype=np.intp), label)

    @cached_property
    def passes(self) -> Rows:
        stored = Pass.objects.filter(session=self._of, valid=True).order_by()
        rows = list(stored.values_list("pk", "gate", "number", *_STORED))
        gates = gates_by_key({gate for _, gate, *_ in rows})
        # As everywhere, a pass through a gate that lost its marks is none.
        timed = [row for row in rows if row[1] in gates]
        if not timed:
            return Rows()
        keys, of_gates, numbers, *stated = zip(*timed, strict=True)
        known = {name: floats(column) for name, column in zip(_STORED, stated, strict=True)}
        known["gate_length_m"] = floats([gates[gate].length_m for gate in of_gates])
        owner = np.zeros(len(keys), dtype=np.intp)
        return Rows([str(key) for key in keys], known, owner, lambda row: f"Pass {numbers[row]}")
