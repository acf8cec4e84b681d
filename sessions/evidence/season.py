"""All sessions of one machine: what comparison, season and records read."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from functools import cached_property

from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision, Vehicle
from buildlog.machines.queries import read_line
from sessions.evidence.doubts import doubts_of_machine
from sessions.evidence.left_out import LeftOut
from sessions.evidence.reader import Evidence
from sessions.outings.models import Assumptions, Session


class Season(Evidence):
    """The evidence of one machine, with all its revisions, ridden or not.

    Parameters
    ----------
    vehicle: the machine.
    direction: passes of this direction only; "" for all.
    machines: its revisions by key, where the page has worked them out already.
    """

    def __init__(
        self, vehicle: Vehicle, direction: str = "", machines: Mapping[uuid.UUID, Machine] | None = None
    ) -> None:
        self.vehicle = vehicle
        if machines is None:
            machines = {revision.pk: Machine(revision) for revision in read_line(vehicle)}
        self.revisions: list[Revision] = [machine.revision for machine in machines.values()]
        super().__init__(Session.objects.filter(revision__vehicle=vehicle), machines, direction)

    @cached_property
    def _known(self) -> list[Assumptions]:
        """Of one machine, which may have been read with it."""
        return [Assumptions.of(self.vehicle)] * len(self._ridden)

    @classmethod
    def beyond_doubt(
        cls, vehicle: Vehicle, direction: str = "", machines: Mapping[uuid.UUID, Machine] | None = None
    ) -> Season:
        """The evidence without what is in doubt, for comparisons, records, claims and shares."""
        season = cls(vehicle, direction, machines)
        return season.without_doubtful(LeftOut(doubts_of_machine(vehicle, season)))
