"""What is due of machines' upkeep, with what was ridden since it was done, in a fixed number of queries."""

from __future__ import annotations

import math
import uuid
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

from django.db.models import Q
from django.utils import timezone

from buildlog.machines.individuals import IndividualFitting
from buildlog.machines.models import Revision
from buildlog.upkeep.models import UpkeepCheck, UpkeepItem
from buildlog.upkeep.rides import MachineRides
from calc.quantities import written
from calc.upkeep import CYCLES, DAYS, Count, Interval, State, Use, counts_of, state_of

EXACT = 4
"""Digits of an interval, which somebody typed; what was ridden since is not known that well."""

WORDS = {State.DUE: "due", State.SOON: "due soon", State.NOT_DUE: "not due"}
BADGES = {State.DUE: "recurred", State.SOON: "watching", State.NOT_DUE: "held"}


@dataclass(frozen=True)
class Due:
    """One thing to do, and where it stands on a revision.

    last: when it was done last. use, days: since then, or in all. on: the revision that this is about.
    """

    item: UpkeepItem
    last: UpkeepCheck | None
    use: Use
    days: int
    on: Revision | None
    counts: list[Count]

    @property
    def needs_new_check(self) -> bool:
        """Whether it is a torque mark without an interval that was not checked since its revision was made."""
        if self.item.kind != UpkeepItem.Kind.TORQUE or self.item.has_interval:
            return False
        return self.last is None or (self.on is not None and self.last.done_on < self.on.date)

    @property
    def state(self) -> State:
        return State.DUE if self.needs_new_check else state_of(self.counts)

    @property
    def is_due(self) -> bool:
        return self.state is State.DUE

    @property
    def word(self) -> str:
        return WORDS[self.state]

    @property
    def badge(self) -> str:
        return BADGES[self.state]

    @property
    def subject(self) -> str:
        """What it is done to, in words; empty for the whole machine."""
        if self.item.individual is not None:
            return str(self.item.individual)
        return self.item.part.name if self.item.part is not None else ""

    def often(self, system: str = "metric") -> str:
        """How often it is done, in words."""
        listed = [_written(kind, every, system, EXACT) for kind, every in _every(self.item.interval)]
        if not listed:
            return "once on each revision"
        return f"every {' or '.join(listed)}"

    def what(self, system: str = "metric") -> str:
        torque = f", {written(self.item.torque_nm, 'torque', system)}" if self.item.torque_nm else ""
        of = f" ({self.subject})" if self.subject else ""
        return f"{self.item.title}{of}{torque}"

    def sentence(self, system: str = "metric") -> str:
        """Why it is due; the same until it is done, so that an acceptance holds as long."""
        last = f"last done {self.last.done_on:%Y-%m-%d}" if self.last is not None else "not written down as done yet"
        return f"{self.what(system)}: {self.often(system)}, {last}."

    def since(self, system: str = "metric") -> str:
        """What was ridden since, on its careful side, in the units of its interval."""
        parts = []
        for count in self.counts:
            every = _written(count.kind, count.every, system, EXACT)
            used = "unknown" if math.isinf(count.used) else _written(count.kind, count.used, system)
            parts.append(f"{used} of {every}")
        doubted = self.use.ridden.in_doubt
        if parts and doubted:
            outings = "1 outing in doubt counts" if doubted == 1 else f"{doubted} outings in doubt count"
            parts.append(f"{outings} as unknown")
        return ", ".join(parts)


def _last_check(item: UpkeepItem) -> UpkeepCheck | None:
    return next(iter(item.checks.all()), None)


def _every(interval: Interval) -> list[tuple[str, float]]:
    rows = (("trip", interval.metres), ("runtime", interval.seconds), (CYCLES, interval.cycles), (DAYS, interval.days))
    return [(kind, every) for kind, every in rows if every is not None]


def _written(kind: str, value: float, system: str, digits: int | None = None) -> str:
    if kind in (CYCLES, DAYS):
        number = f"{value:.0f}" if kind == DAYS or value >= 10 or value == int(value) else f"{value:.1f}"
        return f"{number} {kind[:-1] if number == '1' else kind}"
    return written(value, kind, system, digits=digits or (2 if value < 1e5 else 3))


class Upkeep:
    """The upkeep of some machines. Two queries where nothing is to be done, a fixed number otherwise.

    `line` has the revisions of a machine with their parts, where a page has read them.
    """

    def __init__(
        self,
        vehicles: Collection[uuid.UUID],
        wanted: Q | None = None,
        rides: MachineRides | None = None,
        line: Collection[Revision] = (),
    ) -> None:
        self._today = timezone.localdate()
        of_pieces = Q(individual__places__fitting__revision__vehicle__in=vehicles)
        rows = UpkeepItem.objects.select_related("part", "individual__part", "vehicle")
        rows = rows.filter(wanted if wanted is not None else Q(vehicle__in=vehicles) | of_pieces).distinct()
        self.items = list(rows.order_by("kind", "title", "pk").prefetch_related("checks"))
        on_them = IndividualFitting.objects.filter(fitting__revision__vehicle__in=vehicles)
        pieces = {item.individual_id for item in self.items if item.individual_id is not None}
        self._places: dict[uuid.UUID, list[IndividualFitting]] = {}
        for place in places_of(Q(individual__in=pieces) | Q(individual__in=on_them.values("individual"))):
            self._places.setdefault(place.individual_id, []).append(place)
        machines = set(vehicles) | {
            place.fitting.revision.vehicle_id for places in self._places.values() for place in places
        }
        self.rides = (rides or MachineRides.of_machines(machines, self._since, line)) if self.items else None

    @classmethod
    def of_pieces(cls, individuals: Collection[uuid.UUID], rides: MachineRides) -> Upkeep:
        """The upkeep of some pieces, wherever they are; `rides` are those of all machines that they were on."""
        return cls([], Q(individual__in=individuals), rides)

    @property
    def _since(self) -> date | None:
        """The first day of which anything is asked; None for all days, where something was never done."""
        last = [_last_check(item) for item in self.items]
        days = [check.done_on for check in last if check is not None]
        return min(days) if days and len(days) == len(last) else None

    def on(self, revision: Revision) -> list[Due]:
        """What is to be done of what is fitted on a revision, what is due first."""
        due = [self._due(item, revision) for item in self.items if self._belongs_to(item, revision)]
        order = list(State)
        return sorted(due, key=lambda row: (order.index(row.state), -row.counts[0].share if row.counts else 0.0))

    def on_two_machines(self, revision: Revision) -> list[IndividualFitting]:
        """Where pieces that are fitted on a revision are on another machine that is ridden, too."""
        clashes = []
        for places in self._places.values():
            here = [place for place in places if place.fitting.revision_id == revision.pk]
            clashes += [
                other
                for other in places
                if other.fitting.revision.vehicle_id != revision.vehicle_id
                and other.fitting.revision.status == Revision.Status.RIDING
                and any(other.overlaps(place) for place in here)
            ]
        return clashes

    def of_piece(self, individual: uuid.UUID) -> list[Due]:
        return [self._due(item, None) for item in self.items if item.individual_id == individual]

    def _belongs_to(self, item: UpkeepItem, revision: Revision) -> bool:
        if item.individual_id is not None:
            return any(
                place.fitting.revision_id == revision.pk and (place.removed_on is None or place.holds(self._today))
                for place in self._places.get(item.individual_id, ())
            )
        if item.vehicle_id != revision.vehicle_id:
            return False
        return item.part_id is None or (self.rides is not None and self.rides.has(revision.pk, item.part_id))

    def _due(self, item: UpkeepItem, revision: Revision | None) -> Due:
        last = _last_check(item)
        since = last.done_on if last is not None else None
        use, first = Use(), None
        if self.rides is not None and item.individual is not None:
            places = self._places.get(item.individual_id, []) if item.individual_id else []
            use = self.rides.of_individual(item.individual, places, since)
            first = min((place.from_day for place in places), default=None)
        elif self.rides is not None and item.vehicle_id is not None:
            use = self.rides.of_machine(item.vehicle_id, item.part, since)
            first = self.rides.first_day(item.vehicle_id)
        began = since or first or self._today
        days = max(0, (self._today - began).days)
        return Due(item, last, use, days, revision, counts_of(item.interval, use, days))


def places_of(wanted: Q) -> list[IndividualFitting]:
    """Where pieces were fitted, in the order of time. One query."""
    rows = IndividualFitting.objects.filter(wanted)
    places = list(rows.select_related("fitting__revision__vehicle", "fitting__part", "individual__part"))
    return sorted(places, key=lambda place: (place.from_day, place.fitting.revision.number))
