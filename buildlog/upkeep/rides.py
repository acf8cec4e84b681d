"""What pieces, parts and machines went through: rides of several machines, in a fixed number of queries."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Collection, Iterable
from datetime import date, datetime, time
from typing import NamedTuple

from django.utils import timezone

from buildlog.failures.exposure import Ride, doubtful_facts, is_whole, rides_of_rows, stored_rides
from buildlog.machines.individuals import Individual, IndividualFitting
from buildlog.machines.models import Part, Revision
from buildlog.machines.queries import read_lines
from calc.exposure_gaps import Pace, Ridden, RideLength, ridden
from calc.upkeep import Use


class UpkeepRide(NamedTuple):
    """One outing. full_charges: what was used of the pack, None where it was not noted, is in doubt, or no capacity is
    known; doubted_charges: what it may have been where it is in doubt."""

    revision: uuid.UUID
    day: date
    length: RideLength
    full_charges: float | None
    doubted_charges: float = 0.0


class MachineRides:
    """All outings of some machines with what was fitted. What is in doubt of them counts as unknown."""

    def __init__(self, revisions: Iterable[Revision], rides: Iterable[Ride]) -> None:
        self.revisions = {revision.pk: revision for revision in revisions}
        capacity_ah = {key: _capacity_ah(revision) for key, revision in self.revisions.items()}
        self._rides: dict[uuid.UUID, list[UpkeepRide]] = {}
        zone = timezone.get_current_timezone()
        for ride in rides:
            capacity = capacity_ah[ride.revision]
            charges = ride.charge_ah / capacity if ride.charge_ah is not None and capacity else None
            doubted = ride.doubted_ah / capacity if capacity else 0.0
            own = UpkeepRide(ride.revision, ride.started_at.astimezone(zone).date(), ride.length, charges, doubted)
            self._rides.setdefault(self.revisions[ride.revision].vehicle_id, []).append(own)
        self._paces = {key: Pace.of(ride.length for ride in rides) for key, rides in self._rides.items()}
        self._fitted = {
            key: {fitting.part_id for fitting in revision.fittings.all()} for key, revision in self.revisions.items()
        }

    @classmethod
    def of_machines(
        cls, vehicles: Collection[uuid.UUID], since: date | None = None, line: Collection[Revision] = ()
    ) -> MachineRides:
        """Read from the database, in as many queries for many machines as for one.

        With `since`, only the rides from that day on, which is all that is asked of them. Where one of these lacks a
        distance or a time, the others say how long it can have been, and all are read. `line` has the revisions of a
        machine that were read already.
        """
        revisions = list(line)
        if {revision.vehicle_id for revision in line} != set(vehicles):
            revisions = read_lines(Revision.objects.filter(vehicle__in=vehicles).order_by().values("pk"))
        machines = list({revision.vehicle_id: revision.vehicle for revision in revisions}.values())
        if since is not None:
            midnight = timezone.make_aware(datetime.combine(since, time.min))
            rows = stored_rides(machines, midnight)
            if all(map(is_whole, rows)):
                rides = rides_of_rows(rows, doubtful_facts(machines, midnight) if rows else {})
                if not any(ride.length.doubted_m or ride.length.doubted_s for ride in rides):
                    return cls(revisions, rides)
        rows = stored_rides(machines)
        return cls(revisions, rides_of_rows(rows, doubtful_facts(machines) if rows else {}))

    def has(self, revision: uuid.UUID, part: uuid.UUID) -> bool:
        """Whether a part is fitted on a revision."""
        return part in self._fitted.get(revision, ())

    def of_machine(self, vehicle: uuid.UUID, part: Part | None = None, since: date | None = None) -> Use:
        """What a machine went through, or one of its parts, from a day on; that day's rides count too."""

        def counts(ride: UpkeepRide) -> bool:
            return part is None or self.has(ride.revision, part.pk)

        return self._use(vehicle, part.counts_cycles if part else "", counts, since)

    def of_part(self, part: Part) -> Use:
        """What a part went through in all, on whichever machine."""
        return sum((self.of_machine(vehicle, part) for vehicle in self._rides), Use())

    def of_individual(
        self, individual: Individual, places: Iterable[IndividualFitting], since: date | None = None
    ) -> Use:
        """What a piece went through on all machines from a day on, and before it came here where no day is given."""
        by_revision: dict[uuid.UUID, list[IndividualFitting]] = {}
        for place in places:
            by_revision.setdefault(place.fitting.revision_id, []).append(place)

        def counts(ride: UpkeepRide) -> bool:
            return any(place.holds(ride.day) for place in by_revision.get(ride.revision, ()))

        cycles = individual.part.counts_cycles
        total = sum((self._use(vehicle, cycles, counts, since) for vehicle in self._rides), Use())
        return total if since is not None else _before(individual) + total

    def of_individual_at(self, individual: Individual, place: IndividualFitting) -> Use:
        """What a piece went through at one of its places."""
        return self.of_individual(individual, [place], date.min)

    def first_day(self, vehicle: uuid.UUID) -> date | None:
        return min((ride.day for ride in self._rides.get(vehicle, ())), default=None)

    def _use(self, vehicle: uuid.UUID, cycles: str, counts: Callable[[UpkeepRide], bool], since: date | None) -> Use:
        rides = [
            ride for ride in self._rides.get(vehicle, ()) if counts(ride) and (since is None or ride.day >= since)
        ]  # fmt: skip
        if not rides:
            return Use()
        least = most = 0.0
        if cycles == Part.Cycles.OUTINGS:
            least = most = float(len(rides))
        elif cycles == Part.Cycles.FULL_CHARGES:
            least = sum(ride.full_charges or 0.0 for ride in rides)
            # An outing of which the charge was not noted took at most one full charge (common practice, no source).
            most = sum(
                max(1.0, ride.doubted_charges) if ride.full_charges is None else ride.full_charges for ride in rides
            )
        return Use(ridden([ride.length for ride in rides], self._paces[vehicle]), least, most)


def _before(individual: Individual) -> Use:
    """What a piece had gone through before it came here."""
    metres, seconds = individual.distance_before_m, individual.runtime_before_s
    cycles = float(individual.cycles_before)
    return Use(Ridden(distance_m=metres, runtime_s=seconds, longest_m=metres, longest_s=seconds), cycles, cycles)


def _capacity_ah(revision: Revision) -> float | None:
    """Of the whole pack: strings side by side, each as much as its smallest kind of module; None where unknown."""
    strings: dict[int, list[float | None]] = {}
    for fitting in revision.fittings.all():
        if fitting.part.category == "battery_module":
            capacity_ah = fitting.part.specification.get("capacity_ah")
            strings.setdefault(fitting.string or 0, []).append(capacity_ah and capacity_ah * (fitting.parallel or 1))
    known = [[value for value in values if value] for values in strings.values()]
    if not strings or [len(values) for values in known] != [len(values) for values in strings.values()]:
        return None
    return sum(min(values) for values in known)
