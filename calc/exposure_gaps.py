"""How far and how long was ridden, where not every ride says so.

A distance or a time that nobody wrote down is unknown, not zero. A distance can be estimated from a
track, or from the time and the speeds of the same revision. Each sum is therefore kept twice: as short as
it can have been, with unknown rides taken as nothing, and as long as they can plausibly have been. Which
of the two is the careful one depends on the question.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from operator import attrgetter
from typing import NamedTuple

DISTANCE, TIME = "trip", "runtime"
"""What exposure is counted in, by the names that `calc.quantities` gives these kinds."""


TRACK_SPREAD = 0.05
"""By so much a track may be longer or shorter than what was ridden (common practice, no source)."""
LAPS_SPREAD = 0.1
"""The same of counted laps: one is missed, or ridden wider (common practice, no source)."""
GUESS_SPREAD = 0.3
"""The same of a distance that somebody guessed (common practice, no source)."""


class RideLength(NamedTuple):
    """One ride: its distance and its time, either of them None where it is not known.

    estimated_m, least_m, most_m: a distance that was not measured but can be estimated, and how short and how long it
    can have been; most_m is None where only the time limits it.
    doubted_m, doubted_s: a value that is in doubt. It is unknown, but the ride may have been as long as that.
    """

    distance_m: float | None
    runtime_s: float | None
    estimated_m: float | None = None
    least_m: float = 0.0
    doubted_m: float = 0.0
    doubted_s: float = 0.0
    most_m: float | None = None

    def by_estimate(self, spread: float) -> RideLength:
        """The ride with its distance as an estimate, which may be off by a share of it.

        Examples
        --------
        >>> laps = RideLength(4000.0, 900.0).by_estimate(LAPS_SPREAD)
        >>> laps.distance_m, laps.estimated_m, laps.least_m, laps.most_m
        (None, 4000.0, 3600.0, 4400.0)
        """
        metres = self.distance_m
        if metres is None:
            return self
        ends = (round(metres * (1 + sign * spread), 1) for sign in (-1, 1))
        return self._replace(distance_m=None, estimated_m=metres, least_m=next(ends), most_m=next(ends))


def with_estimates(rides: Sequence[RideLength], tracks_m: Sequence[float | None] = ()) -> list[RideLength]:
    """Estimate the distances that lack, for the rides of one revision.

    Parameters
    ----------
    rides: of one revision.
    tracks_m: for each ride the length of its recorded track, or None; empty where there are none.

    Examples
    --------
    >>> rides = [RideLength(6000.0, 1200.0), RideLength(6000.0, 1000.0), RideLength(None, 600.0)]
    >>> with_estimates(rides)[2].estimated_m, with_estimates(rides)[2].least_m
    (3272.7, 3000.0)
    """
    timed = [(ride.distance_m, ride.runtime_s) for ride in rides if ride.distance_m and ride.runtime_s]
    metres, seconds = sum(row[0] for row in timed), sum(row[1] for row in timed)
    slowest_mps = min((row[0] / row[1] for row in timed), default=0.0)
    estimated = []
    for index, ride in enumerate(rides):
        track_m = tracks_m[index] if tracks_m else None
        if ride.distance_m is not None or ride.estimated_m is not None:
            estimated.append(ride)
        elif track_m:
            estimated.append(ride._replace(estimated_m=track_m, least_m=(1 - TRACK_SPREAD) * track_m))
        elif ride.runtime_s is not None and seconds:
            mean_m = round(metres / seconds * ride.runtime_s, 1)
            estimated.append(ride._replace(estimated_m=mean_m, least_m=slowest_mps * ride.runtime_s))
        else:
            estimated.append(ride)
    return estimated


@dataclass(frozen=True)
class Pace:
    """How one machine was ridden, as far as its rides say: what bounds the length of those that do not."""

    fastest_mps: float | None = None
    slowest_mps: float | None = None
    longest_m: float | None = None
    longest_s: float | None = None

    @classmethod
    def of(cls, rides: Iterable[RideLength]) -> Pace:
        """From the rides of one machine.

        Examples
        --------
        >>> Pace.of([RideLength(6000.0, 1200.0), RideLength(9000.0, None), RideLength(None, 600.0)])
        Pace(fastest_mps=5.0, slowest_mps=5.0, longest_m=9000.0, longest_s=1200.0)
        """
        listed = list(rides)
        speeds = [ride.distance_m / ride.runtime_s for ride in listed if ride.distance_m and ride.runtime_s]
        return cls(
            max(speeds, default=None),
            min(speeds, default=None),
            max((ride.distance_m for ride in listed if ride.distance_m is not None), default=None),
            max((ride.runtime_s for ride in listed if ride.runtime_s is not None), default=None),
        )

    def longest_distance_m(self, ride: RideLength) -> float:
        """The distance, or the longest that is plausible; infinite where nothing bounds it.

        A ride that was only timed was at most as fast as the fastest mean speed ridden; one of which
        nothing is known was at most as long as the longest ridden (common practice, no source).
        """
        if ride.distance_m is not None:
            return ride.distance_m
        if ride.most_m is not None:
            plausible = ride.most_m
        elif ride.estimated_m is not None and ride.runtime_s is None:
            plausible = (1 + TRACK_SPREAD) * ride.estimated_m
        elif ride.runtime_s is not None:
            plausible = math.inf if self.fastest_mps is None else self.fastest_mps * ride.runtime_s
        else:
            plausible = math.inf if self.longest_m is None else self.longest_m
        return max(plausible, ride.doubted_m)

    def longest_runtime_s(self, ride: RideLength) -> float:
        """The time, or the longest that is plausible; infinite where nothing bounds it."""
        if ride.runtime_s is not None:
            return ride.runtime_s
        if ride.distance_m is not None:
            plausible = math.inf if not self.slowest_mps else ride.distance_m / self.slowest_mps
        else:
            plausible = math.inf if self.longest_s is None else self.longest_s
        return max(plausible, ride.doubted_s)


@dataclass(frozen=True)
class Ridden:
    """What some rides add up to: known distance and time, what is missing, and the longest plausible sums.

    estimated, estimated_m: rides of which the distance is estimated, and what that adds up to; least_m: as little as
    they can have been. without_distance: rides of which it is neither known nor estimated. in_doubt: rides of which a
    value that was noted is in doubt, and therefore unknown.
    """

    rides: int = 0
    distance_m: float = 0.0
    runtime_s: float = 0.0
    without_distance: int = 0
    without_runtime: int = 0
    longest_m: float = 0.0
    longest_s: float = 0.0
    estimated: int = 0
    estimated_m: float = 0.0
    least_m: float = 0.0
    in_doubt: int = 0

    def __add__(self, other: Ridden) -> Ridden:
        return Ridden.total((self, other))

    @classmethod
    def total(cls, parts: Iterable[Ridden]) -> Ridden:
        """What all of these add up to."""
        columns = zip(_NOTHING, *map(_numbers, parts), strict=True)
        return cls(*map(sum, columns))

    def shortest(self, kind: str) -> float:
        """Metres or seconds, with estimated rides as short as they can have been, and unknown ones as nothing."""
        return self.distance_m + self.least_m if kind == DISTANCE else self.runtime_s

    def longest(self, kind: str) -> float:
        """Metres or seconds, with unknown rides as long as is plausible; infinite where nothing bounds one."""
        return self.longest_m if kind == DISTANCE else self.longest_s

    def unknown(self, kind: str) -> int:
        """Of how many of the rides nothing is known of that kind."""
        return self.without_distance if kind == DISTANCE else self.without_runtime


_numbers = attrgetter(*Ridden.__dataclass_fields__)
_NOTHING = _numbers(Ridden())


def ridden(rides: Iterable[RideLength], pace: Pace) -> Ridden:
    """Add rides up; `pace` is that of all rides of the machine.

    Examples
    --------
    >>> rides = [RideLength(6000.0, 1200.0), RideLength(None, 600.0), RideLength(None, None)]
    >>> total = ridden(rides, Pace.of(rides))
    >>> total.shortest(DISTANCE), total.longest(DISTANCE), total.unknown(DISTANCE)
    (6000.0, 15000.0, 2)
    >>> total.shortest(TIME), total.longest(TIME), total.unknown(TIME)
    (1800.0, 3000.0, 1)
    """
    listed = list(rides)
    estimated = [ride for ride in listed if ride.distance_m is None and ride.estimated_m is not None]
    return Ridden(
        len(listed),
        sum(ride.distance_m or 0.0 for ride in listed),
        sum(ride.runtime_s or 0.0 for ride in listed),
        sum(ride.distance_m is None for ride in listed) - len(estimated),
        sum(ride.runtime_s is None for ride in listed),
        sum(pace.longest_distance_m(ride) for ride in listed),
        sum(pace.longest_runtime_s(ride) for ride in listed),
        len(estimated),
        sum(ride.estimated_m or 0.0 for ride in estimated),
        sum(ride.least_m for ride in estimated),
        sum(bool(ride.doubted_m or ride.doubted_s) for ride in listed),
    )


def better_known(*parts: Ridden) -> str:
    """What to count exposure in: the kind of which fewer rides are unknown, distance where it is equal.

    The choice rests on what was written down, never on what comes out.

    Examples
    --------
    >>> better_known(ridden([RideLength(None, 600.0)], Pace()), ridden([RideLength(4000.0, 900.0)], Pace()))
    'runtime'
    """
    total = sum(parts, Ridden())
    return DISTANCE if total.without_distance <= total.without_runtime else TIME
