"""How far and how long a machine was ridden, and where on that way things happened."""

from __future__ import annotations

import uuid
from bisect import bisect_right
from datetime import datetime
from typing import NamedTuple

from django.db.models import CharField
from django.db.models.functions import Cast

from buildlog.failures.models import Failure
from buildlog.machines.models import Vehicle
from calc.exposure_gaps import Pace, RideLength, ridden


class Ride(NamedTuple):
    """One session, as far as exposure goes. What nobody wrote down is None."""

    key: str
    revision: uuid.UUID
    number: int
    started_at: datetime
    length: RideLength


class Exposure:
    """All rides of one vehicle, in their order. One query."""

    def __init__(self, vehicle: Vehicle) -> None:
        # Read through the reverse relation: this room does not know the sessions' own.
        rows = (
            vehicle.revisions.filter(sessions__isnull=False)
            # As text: thousands of keys need not become objects to be told apart.
            .annotate(key=Cast("sessions__pk", CharField()))
            .values_list("key", "pk", "number", "sessions__started_at", "sessions__distance_m", "sessions__runtime_s")
            .order_by("sessions__started_at", "sessions__pk")
        )
        self.rides = [
            Ride(key.replace("-", ""), revision, number, started_at, RideLength(distance_m, runtime_s))
            for key, revision, number, started_at, distance_m, runtime_s in rows
        ]
        lengths = [ride.length for ride in self.rides]
        self.total = ridden(lengths, Pace.of(lengths))
        self._begins_m: dict[str, float] = {}
        place_m = 0.0
        for ride in self.rides:
            self._begins_m[ride.key] = place_m
            place_m += ride.length.distance_m or 0.0
        self._by_key = {ride.key: ride for ride in self.rides}

    @property
    def total_m(self) -> float:
        """The known distance in all."""
        return self.total.distance_m

    @property
    def total_s(self) -> float:
        """The known time in all."""
        return self.total.runtime_s

    def place_m(self, failure: Failure) -> float | None:
        """The known distance ridden in all when a failure came; None for one before the first ride.

        Without a distance of its own it is put at its share of the session's time, or else in the
        session's middle; without a session, at the end of the last ride that began before it.
        """
        ride = self._by_key.get(failure.session_id.hex) if failure.session_id else None
        if ride is None:
            index = bisect_right([one.started_at for one in self.rides], failure.happened_at) - 1
            if index < 0:
                return None
            return self._begins_m[self.rides[index].key] + (self.rides[index].length.distance_m or 0.0)
        begins_m, (distance_m, runtime_s) = self._begins_m[ride.key], ride.length
        into_m: float | None = failure.distance_into_session_m
        if distance_m is None:
            return begins_m + (into_m or 0.0)
        if into_m is not None:
            return begins_m + min(into_m, distance_m)
        share = 0.5
        if failure.time_into_session_s is not None and runtime_s:
            share = min(1.0, failure.time_into_session_s / runtime_s)
        return begins_m + share * distance_m

    def begins_m(self) -> list[tuple[int, float]]:
        """Each revision's number, and the known distance ridden in all when it was first ridden."""
        first: dict[int, float] = {}
        for ride in self.rides:
            first.setdefault(ride.number, self._begins_m[ride.key])
        return sorted(first.items(), key=lambda row: row[1])
