"""How far and how long a machine was ridden, and where on that way things happened."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from datetime import datetime
from typing import NamedTuple

from django.db.models import CharField
from django.db.models.functions import Cast

from buildlog.models import Failure, Vehicle


class Ride(NamedTuple):
    """One session, as far as exposure goes."""

    key: str
    number: int
    started_at: datetime
    distance_m: float
    runtime_s: float


class Exposure:
    """All rides of one vehicle, in their order. One query."""

    def __init__(self, vehicle: Vehicle) -> None:
        # Read through the reverse relation: this room does not know the sessions' own.
        rows = (
            vehicle.revisions.filter(sessions__isnull=False)
            # As text: thousands of keys need not become objects to be told apart.
            .annotate(key=Cast("sessions__pk", CharField()))
            .values_list("key", "number", "sessions__started_at", "sessions__distance_m", "sessions__runtime_s")
            .order_by("sessions__started_at", "sessions__pk")
        )
        self.rides = [
            Ride(key.replace("-", ""), number, started_at, distance_m or 0.0, runtime_s or 0.0)
            for key, number, started_at, distance_m, runtime_s in rows
        ]
        self._begins_m: dict[str, float] = {}
        total_m = 0.0
        for ride in self.rides:
            self._begins_m[ride.key] = total_m
            total_m += ride.distance_m
        self.total_m = total_m
        self.total_s = sum(ride.runtime_s for ride in self.rides)
        self._by_key = {ride.key: ride for ride in self.rides}

    def of(self, rides: Iterable[Ride]) -> tuple[float, float]:
        """Distance and time of some rides."""
        listed = list(rides)
        return sum(ride.distance_m for ride in listed), sum(ride.runtime_s for ride in listed)

    def before(self, number: int) -> tuple[float, float]:
        """Distance and time ridden with revisions below a number."""
        return self.of(ride for ride in self.rides if ride.number < number)

    def since(self, number: int) -> tuple[float, float]:
        """Distance and time ridden with that revision and later ones."""
        return self.of(ride for ride in self.rides if ride.number >= number)

    def place_m(self, failure: Failure) -> float:
        """Distance ridden in all when a failure came.

        Without a distance of its own it is put at its share of the session's time, or else in the
        session's middle; without a session, at the end of the last ride that began before it.
        """
        ride = self._by_key.get(failure.session_id.hex) if failure.session_id else None
        if ride is None:
            index = bisect_right([one.started_at for one in self.rides], failure.happened_at) - 1
            if index < 0:
                return 0.0
            return self._begins_m[self.rides[index].key] + self.rides[index].distance_m
        begins = self._begins_m[ride.key]
        if failure.distance_into_session_m is not None:
            return begins + min(failure.distance_into_session_m, ride.distance_m)
        share = 0.5
        if failure.time_into_session_s is not None and ride.runtime_s:
            share = min(1.0, failure.time_into_session_s / ride.runtime_s)
        return begins + share * ride.distance_m

    def begins_m(self) -> list[tuple[int, float]]:
        """Each revision's number, and the distance ridden in all when it was first ridden."""
        first: dict[int, float] = {}
        for ride in self.rides:
            first.setdefault(ride.number, self._begins_m[ride.key])
        return sorted(first.items(), key=lambda row: row[1])
