"""Tables of rates: each with its number of trials, its binomial limits, and the goal it is held against.

A table is a function that yields rows; `@table("name")` adds it to what `python -m tests.simulations` prints.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from scipy import stats

BEYOND_CHANCE = 0.001


@dataclass(frozen=True)
class Rate:
    """Counted cases among trials. least, most: the goal, as shares."""

    what: str
    count: int
    trials: int
    least: float = 0.0
    most: float = 1.0

    @property
    def share(self) -> float:
        return self.count / self.trials

    @property
    def limits(self) -> tuple[float, float]:
        """95 % limits of the true share (Clopper and Pearson, Biometrika 26 (1934) 404–413)."""
        if not self.trials:
            return 0.0, 1.0
        interval = stats.binomtest(self.count, self.trials).proportion_ci(0.95, "exact")
        return float(interval.low), float(interval.high)

    @property
    def meets_goal(self) -> bool:
        """Whether the goal lies within the limits."""
        low, high = self.limits
        return low <= self.most and high >= self.least

    @property
    def misses_goal_beyond_chance(self) -> bool:
        """Whether such a count would come up by chance in less than one of a thousand runs at the goal."""
        if not self.trials:
            return False
        too_many = stats.binom.sf(self.count - 1, self.trials, self.most)
        too_few = stats.binom.cdf(self.count, self.trials, self.least)
        return bool(min(too_many, too_few) < BEYOND_CHANCE)

    def __str__(self) -> str:
        if not self.trials:
            return f"{self.what}: no case"
        low, high = self.limits
        goal = ""
        if self.least > 0 or self.most < 1:
            ends = [f"{100 * end:.3g}" for end in (self.least, self.most)]
            wanted = f"{ends[0]} to {ends[1]} %" if self.least > 0 and self.most < 1 else ""
            wanted = wanted or (f"at most {ends[1]} %" if self.most < 1 else f"at least {ends[0]} %")
            goal = f", goal {wanted}{'' if self.meets_goal else ' MISSED'}"
        shown = f"{100 * self.share:.1f} % of {self.trials} ({100 * low:.1f} to {100 * high:.1f}{goal})"
        return f"{self.what} {shown}"


Row = tuple[str, list[Rate]]
Spread = Callable[[Callable[..., Any], Iterable[Any]], Iterable[Any]]
"""How a table's trials are worked out: `map`, or that of a pool of processes."""
Table = Callable[[int, Spread], Iterator[Row]]
TABLES: dict[str, Table] = {}


def table(name: str) -> Callable[[Table], Table]:
    """Add a table under a name. It is called with the trials of a row and a `map`."""

    def add(rows: Table) -> Table:
        TABLES[name] = rows
        return rows

    return add
