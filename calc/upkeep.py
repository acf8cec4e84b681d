"""When something is due that is done every so many kilometres, hours, cycles or days.

What was ridden since is taken as long as it can have been: a gap in the records makes nothing due later.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import StrEnum

from calc.exposure_gaps import DISTANCE, TIME, Ridden

SOON = 0.9
"""From this share of an interval on it is said to be due soon (common practice, no source)."""
CYCLES, DAYS = "cycles", "days"


class State(StrEnum):
    DUE = "due"
    SOON = "due_soon"
    NOT_DUE = "not_due"


@dataclass(frozen=True)
class Use:
    """What something went through: rides, and cycles at least and at most."""

    ridden: Ridden = field(default_factory=Ridden)
    cycles: float = 0.0
    longest_cycles: float = 0.0

    def __add__(self, other: Use) -> Use:
        return Use(
            self.ridden + other.ridden, self.cycles + other.cycles, self.longest_cycles + other.longest_cycles
        )  # fmt: skip


@dataclass(frozen=True)
class Interval:
    """How often something is done; it is due at the first of these that is reached."""

    metres: float | None = None
    seconds: float | None = None
    cycles: float | None = None
    days: float | None = None


@dataclass(frozen=True)
class Count:
    """One of the counts of an interval. used: at most, infinite where nothing limits a ride that was not noted."""

    kind: str
    used: float
    every: float

    @property
    def share(self) -> float:
        return self.used / self.every

    @property
    def left(self) -> float:
        return max(0.0, self.every - self.used)


def counts_of(interval: Interval, use: Use, days: float) -> list[Count]:
    """The counts of an interval since it was done last, the nearest to being due first.

    Examples
    --------
    >>> use = Use(Ridden(rides=2, distance_m=40_000.0, longest_m=46_000.0))
    >>> [(count.kind, count.share) for count in counts_of(Interval(metres=50_000.0, days=100.0), use, days=30)]
    [('trip', 0.92), ('days', 0.3)]
    """
    rows = (
        (DISTANCE, use.ridden.longest(DISTANCE), interval.metres),
        (TIME, use.ridden.longest(TIME), interval.seconds),
        (CYCLES, use.longest_cycles, interval.cycles),
        (DAYS, days, interval.days),
    )
    counts = [Count(kind, used, every) for kind, used, every in rows if every is not None]
    return sorted(counts, key=lambda count: -count.share)


def state_of(counts: list[Count]) -> State:
    """Whether it is due, by the first of its counts.

    Examples
    --------
    >>> state_of([Count("trip", 46_000.0, 50_000.0)]), state_of([Count("trip", math.inf, 50_000.0)])
    (<State.SOON: 'due_soon'>, <State.DUE: 'due'>)
    """
    nearest = counts[0].share if counts else 0.0
    if nearest >= 1.0 or math.isinf(nearest):
        return State.DUE
    return State.SOON if nearest >= SOON else State.NOT_DUE
