"""How far and how long a machine was ridden, and at which distance its failures came."""

from __future__ import annotations

import uuid
from bisect import bisect_right
from collections.abc import Callable, Collection, Mapping
from datetime import datetime
from typing import Any, NamedTuple

from django.db.models import Max, OuterRef, Subquery

from buildlog.failures.models import Failure
from buildlog.machines.models import Revision, Vehicle
from buildlog.storage.columns import as_text, moments
from calc.exposure_gaps import GUESS_SPREAD, LAPS_SPREAD, Pace, RideLength, ridden, with_estimates

Doubtful = Mapping[str, Collection[str]]
"""Facts of sessions in doubt: for each of "distance_m", "runtime_s", "charge_used_ah" the keys of the sessions, as
hexadecimal text."""
DoubtReader = Callable[[Collection[Vehicle], datetime | None], Doubtful]
_READERS: list[DoubtReader] = []


def register_doubts(reader: DoubtReader) -> None:
    """Let exposure leave out what `reader` says is in doubt. The room that knows the doubts comes later."""
    _READERS[:] = [reader]


class Ride(NamedTuple):
    """The exposure of one session. A value that was not recorded, or is in doubt, is None."""

    key: str
    revision: uuid.UUID
    number: int
    started_at: datetime
    length: RideLength
    charge_ah: float | None = None
    doubted_ah: float = 0.0
    """A charge that is in doubt: unknown, but it may have been as much."""


class StoredRide(NamedTuple):
    """What is stored of one session. key: its own, as text; method: how its distance was taken."""

    key: str
    revision: uuid.UUID
    number: int
    started_at: datetime
    distance_m: float | None
    runtime_s: float | None
    method: str
    charge_ah: float | None
    track_m: float | None


def stored_rides(vehicles: Collection[Vehicle], since: datetime | None = None) -> list[StoredRide]:
    """Of all sessions of some machines, or of those since a moment, in their order. One query."""
    # Sessions and logs are reached by their relations, because buildlog does not import sessions.
    session: Any = Revision._meta.get_field("sessions").related_model
    log: Any = session._meta.get_field("logs").related_model
    # One look for each session by an index: joined, every column of every session would be grouped.
    tracks = log.objects.filter(session=OuterRef("pk")).order_by().values("session")
    rows = session.objects.filter(revision__vehicle__in=vehicles)
    if since is not None:
        rows = rows.filter(started_at__gte=since)
    names = ("key", "of_revision", "revision__number", "start", "distance_m", "runtime_s", "distance_method",
             "charge_used_ah", "track_m")  # fmt: skip
    rows = rows.order_by("started_at", "pk").annotate(
        # As text, which is faster for thousands of keys than UUID objects.
        key=as_text("pk"),
        of_revision=as_text("revision_id"),
        start=as_text("started_at"),
        track_m=Subquery(tracks.annotate(longest=Max("length_m")).values("longest")),
    )
    stored = list(rows.values_list(*names))
    revisions = {text: uuid.UUID(text) for text in {row[1] for row in stored}}
    starts = moments([row[3] for row in stored])
    return [
        StoredRide(key, revisions[revision], number, start, *facts)
        for (key, revision, number, _, *facts), start in zip(stored, starts, strict=True)
    ]


def doubtful_facts(vehicles: Collection[Vehicle], since: datetime | None = None) -> Doubtful:
    """Which facts of their sessions are in doubt, or of those since a moment; none where no room knows doubts."""
    return _READERS[0](vehicles, since) if _READERS else {}


SPREADS = {"laps": LAPS_SPREAD, "estimate": GUESS_SPREAD}
"""Methods by which a distance is estimated, not measured."""


def noted_length(
    distance_m: float | None, runtime_s: float | None, method: str, track_m: float | None = None
) -> RideLength:
    """A ride as it was noted: a distance by laps or by guess is an estimate, and a track is better than these."""
    if method in SPREADS and track_m:
        return RideLength(None, runtime_s)
    length = RideLength(distance_m, runtime_s)
    return length.by_estimate(SPREADS[method]) if method in SPREADS else length


def is_whole(row: StoredRide) -> bool:
    """Whether a ride has a measured distance and a time, so that nothing of it is estimated by others."""
    return row.distance_m is not None and row.runtime_s is not None and row.method not in SPREADS


def rides_of_rows(rows: list[StoredRide], doubtful: Doubtful) -> list[Ride]:
    """Rides as exposure counts them: a value in doubt is unknown, and what can be estimated is an estimate."""
    no_distance, no_runtime = doubtful.get("distance_m", ()), doubtful.get("runtime_s", ())
    no_charge = doubtful.get("charge_used_ah", ())
    rides, tracks_m = [], []
    for text, revision, number, started_at, distance_m, runtime_s, method, charge_ah, track_m in rows:
        key = text.replace("-", "")
        distance_is_doubted, time_is_doubted, charge_is_doubted = (
            key in no_distance,
            key in no_runtime,
            key in no_charge,
        )
        length = noted_length(
            None if distance_is_doubted else distance_m, None if time_is_doubted else runtime_s, method, track_m
        )
        if distance_is_doubted or time_is_doubted:
            length = length._replace(
                doubted_m=(distance_m or 0.0) if distance_is_doubted else 0.0,
                doubted_s=(runtime_s or 0.0) if time_is_doubted else 0.0,
            )
        known_ah, doubted_ah = (None, charge_ah or 0.0) if charge_is_doubted else (charge_ah, 0.0)
        rides.append(Ride(key, revision, number, started_at, length, known_ah, doubted_ah))
        tracks_m.append(track_m)
    return _estimated(rides, tracks_m)


class Exposure:
    """All rides of one vehicle, in their order.

    One query, and those of its doubts, unless a page has read them and gives them along.
    """

    def __init__(
        self, vehicle: Vehicle, doubtful: Doubtful | None = None, rows: list[StoredRide] | None = None
    ) -> None:
        rows = stored_rides([vehicle]) if rows is None else rows
        if doubtful is None:
            doubtful = doubtful_facts([vehicle]) if rows else {}
        self.rides = rides_of_rows(rows, doubtful)
        lengths = [ride.length for ride in self.rides]
        self.total = ridden(lengths, Pace.of(lengths))
        self._begins_m: dict[str, float] = {}
        place_m = 0.0
        for ride in self.rides:
            self._begins_m[ride.key] = place_m
            place_m += _metres(ride)
        self._by_key = {ride.key: ride for ride in self.rides}
        self._starts = [ride.started_at for ride in self.rides]

    @property
    def total_m(self) -> float:
        """The known distance in all."""
        return self.total.distance_m

    @property
    def total_s(self) -> float:
        """The known time in all."""
        return self.total.runtime_s

    @property
    def placed_m(self) -> float:
        """Where the last ride ended: known and estimated distances in all."""
        return self.total.distance_m + self.total.estimated_m

    def place_m(self, failure: Failure) -> float | None:
        """The distance ridden in all, known or estimated, when a failure came; None for one before the first ride.

        Without a distance of its own it is put at its share of the session's time, or else in the
        session's middle; without a session, at the end of the last ride that began before it.
        """
        ride = self._by_key.get(failure.session_id.hex) if failure.session_id else None
        if ride is None:
            index = bisect_right(self._starts, failure.happened_at) - 1
            if index < 0:
                return None
            return self._begins_m[self.rides[index].key] + _metres(self.rides[index])
        begins_m, distance_m, runtime_s = self._begins_m[ride.key], _metres(ride), ride.length.runtime_s
        into_m: float | None = failure.distance_into_session_m
        if not distance_m:
            return begins_m + (into_m or 0.0)
        if into_m is not None:
            return begins_m + min(into_m, distance_m)
        share = 0.5
        if failure.time_into_session_s is not None and runtime_s:
            share = min(1.0, failure.time_into_session_s / runtime_s)
        return begins_m + share * distance_m

    def begins_m(self) -> list[tuple[int, float]]:
        """Each revision's number, and the distance ridden in all when it was first ridden."""
        first: dict[int, float] = {}
        for ride in self.rides:
            first.setdefault(ride.number, self._begins_m[ride.key])
        return sorted(first.items(), key=lambda row: row[1])

    def spans_m(self, revisions: Collection[uuid.UUID]) -> list[tuple[float, float]]:
        """From where to where these revisions were ridden, each uninterrupted stretch once."""
        spans: list[tuple[float, float]] = []
        for ride in self.rides:
            if ride.revision in revisions:
                begins_m = self._begins_m[ride.key]
                ends_m = begins_m + _metres(ride)
                if spans and spans[-1][1] == begins_m:
                    spans[-1] = spans[-1][0], ends_m
                else:
                    spans.append((begins_m, ends_m))
        return spans


def _metres(ride: Ride) -> float:
    return ride.length.distance_m or ride.length.estimated_m or 0.0


def _estimated(rides: list[Ride], tracks_m: list[float | None]) -> list[Ride]:
    """Rides with the distances that can be estimated, each by the others of its revision."""
    rows_of: dict[uuid.UUID, list[int]] = {}
    for index, ride in enumerate(rides):
        rows_of.setdefault(ride.revision, []).append(index)
    estimated = list(rides)
    for rows in rows_of.values():
        lengths = with_estimates([rides[row].length for row in rows], [tracks_m[row] for row in rows])
        for row, length in zip(rows, lengths, strict=True):
            if length is not rides[row].length:
                estimated[row] = rides[row]._replace(length=length)
    return estimated
