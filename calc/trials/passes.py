"""The value of a session from its timed passes: balanced by direction, at equal numbers of passes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.intp]


@dataclass(frozen=True)
class Passes:
    """Passes that count, in parallel columns."""

    session: Integers
    gate: Integers
    is_out: NDArray[np.bool_]
    speed_mps: Floats

    def __post_init__(self) -> None:
        sizes = {len(column) for column in (self.session, self.gate, self.is_out, self.speed_mps)}
        if len(sizes) > 1:
            raise ValueError(f"the columns of passes must be of one length, got {sorted(sizes)}")


@dataclass(frozen=True)
class GateValues:
    """One value for each session and gate, ordered by session, then gate.

    passes: how many passes, half of them each way, would be as precise.
    out, back: passes in each direction.
    """

    session: Integers
    gate: Integers
    value: Floats
    passes: Floats
    out: Integers
    back: Integers


def balanced_means(passes: Passes) -> GateValues:
    """Mean of the out mean and the back mean, within each session and gate.

    A steady wind or slope cancels, whatever the numbers of passes each way. A session that was ridden one
    way only has the mean of that way where nobody ever rode the gate the other way; otherwise it cannot be
    compared with the balanced ones, and is NaN.

    Examples
    --------
    >>> ways = np.array([True, True, False])
    >>> three = Passes(np.zeros(3, dtype=int), np.zeros(3, dtype=int), ways, np.array([9.0, 11.0, 16.0]))
    >>> balanced_means(three).value.tolist(), balanced_means(three).passes.round(3).tolist()
    ([13.0], [2.667])
    """
    groups = _grouped(passes)
    total = np.bincount(2 * groups.of_pass + groups.way, passes.speed_mps, 2 * groups.session.size).reshape(-1, 2)
    means = total / np.maximum(groups.count, 1)
    both = (groups.count > 0).all(axis=1)
    alone = ~both & ~np.isin(groups.gate, _gates_ridden_both_ways(groups))
    value = np.where(both, means.mean(axis=1), np.where(alone, means.sum(axis=1), np.nan))
    return groups.values(value)


def best_of(passes: Passes, each_way: int) -> GateValues:
    """Fastest pass to expect of `each_way` passes in each direction, within each session and gate.

    The more passes, the faster the fastest of them; so every session is asked for the fastest of equally
    many. The value is the mean of the fastest over all choices of `each_way` passes out and as many back
    among those ridden, a U-statistic: unbiased for what that many passes would give, and it uses them all.
    Hoeffding, A class of statistics with asymptotically normal distribution, Ann. Math. Stat. 19 (1948) 293–325.

    A session with fewer passes in a direction is NaN; `each_way_kept` chooses the number.

    Examples
    --------
    >>> ways = np.array([True, True, False])
    >>> session = Passes(np.zeros(3, dtype=int), np.zeros(3, dtype=int), ways, np.array([10.0, 14.0, 12.0]))
    >>> best_of(session, each_way=1).value.tolist()
    [13.0]
    """
    groups = _grouped(passes)
    return groups.values(_expected_maximum(passes, groups, each_way, (True, True)))


def two_way_best(passes: Passes, each_way: int) -> GateValues:
    """Mean of the fastest out and the fastest back to expect of `each_way` passes each, as in `best_of`.

    Examples
    --------
    >>> ways = np.array([True, True, False])
    >>> session = Passes(np.zeros(3, dtype=int), np.zeros(3, dtype=int), ways, np.array([10.0, 14.0, 12.0]))
    >>> two_way_best(session, each_way=1).value.tolist()
    [12.0]
    """
    groups = _grouped(passes)
    fastest = [_expected_maximum(passes, groups, each_way, ways) for ways in ((True, False), (False, True))]
    return groups.values((fastest[0] + fastest[1]) / 2)


def each_way_kept(out: Integers, back: Integers, share: float = 0.75) -> int:
    """The largest number of passes each way that at least this share of the sessions has; at least 1.

    Take it from the sessions up to the new revision's first one and keep it: a number that changed with
    what is ridden later would change answers that were given.

    Examples
    --------
    >>> each_way_kept(out=np.array([3, 2, 2, 1]), back=np.array([3, 3, 2, 2]))
    2
    """
    fewest = np.sort(np.minimum(out, back))[::-1]
    fewest = fewest[fewest > 0]
    return int(fewest[math.ceil(share * fewest.size) - 1]) if fewest.size else 1


def expected_maximum(values: Floats, chosen: int) -> float:
    """The largest to expect of `chosen` of these values: its mean over all choices, as in `best_of`.

    Raises
    ------
    ValueError: chosen is below 1, or above the number of values.

    Examples
    --------
    >>> round(expected_maximum(np.array([1.0, 2.0, 3.0]), chosen=2), 3)
    2.667
    """
    if not 1 <= chosen <= values.size:
        raise ValueError(f"chosen must be between 1 and the {values.size} values, got {chosen}")
    # The chance that all are among the lowest b values is C(b, chosen) / C(n, chosen). From each b to the one below it
    # is (b − chosen) / b times as high: downwards from 1 nothing overflows.
    below = np.arange(values.size, 1, -1)
    falling = np.cumprod(np.maximum(below - chosen, 0) / below)
    chance = np.concatenate([[1.0], falling])[::-1]
    return float(np.sort(values) @ np.diff(chance, prepend=0.0))


@dataclass(frozen=True)
class _Groups:
    """Passes sorted into sessions and gates. `way` is 0 out and 1 back; `count` has a column for each."""

    session: Integers
    gate: Integers
    of_pass: Integers
    way: Integers
    count: Integers

    def values(self, value: Floats) -> GateValues:
        # As precise as this many passes, half of them each way; those ridden one way count as they are.
        with np.errstate(divide="ignore"):
            balanced = 4.0 / (1.0 / self.count).sum(axis=1)
        passes = np.where(balanced > 0, balanced, self.count.sum(axis=1))
        return GateValues(self.session, self.gate, value, passes, self.count[:, 0], self.count[:, 1])


def _grouped(passes: Passes) -> _Groups:
    gates = int(passes.gate.max(initial=0)) + 1
    keys, of_pass = np.unique(passes.session * gates + passes.gate, return_inverse=True)
    way = np.where(passes.is_out, 0, 1)
    count = np.bincount(2 * of_pass + way, minlength=2 * keys.size).reshape(-1, 2)
    return _Groups(keys // gates, keys % gates, of_pass, way, count)


def _gates_ridden_both_ways(groups: _Groups) -> Integers:
    gates, place = np.unique(groups.gate, return_inverse=True)
    ridden = np.column_stack([np.bincount(place, groups.count[:, way], gates.size) for way in (0, 1)])
    return gates[(ridden > 0).all(axis=1)]


def _expected_maximum(passes: Passes, groups: _Groups, each_way: int, ways: tuple[bool, bool]) -> Floats:
    """Mean maximum over all choices of `each_way` passes in each of the ways asked for."""
    if each_way < 1:
        raise ValueError(f"each_way must be at least 1, got {each_way}")
    counts_way = np.array(ways)[groups.way]
    order = np.lexsort((passes.speed_mps, groups.of_pass))
    order = order[counts_way[order]]
    group, way, speed = groups.of_pass[order], groups.way[order], passes.speed_mps[order]
    starts = np.flatnonzero(np.diff(group, prepend=-1))
    # The chance that every chosen pass is among those up to here, in order of speed.
    chance = np.ones(order.size)
    for direction in np.flatnonzero(ways):
        so_far = np.cumsum(way == direction)
        before = np.zeros(groups.session.size, dtype=np.intp)
        before[group[starts]] = so_far[starts] - (way[starts] == direction)
        chance *= _all_among(so_far - before[group], groups.count[group, direction], each_way)
    step = np.diff(chance, prepend=0.0)
    step[starts] = chance[starts]
    maximum = np.bincount(group, speed * step, groups.session.size)
    enough = (groups.count[:, ways] >= each_way).all(axis=1)
    return np.where(enough, maximum, np.nan)


def _all_among(below: Integers, count: Integers, chosen: int) -> Floats:
    """Chance that all of `chosen` passes, taken from `count` without putting back, are among `below` of them."""
    steps = np.arange(chosen)
    parts = np.maximum(below[:, None] - steps, 0) / np.maximum(count[:, None] - steps, 1)
    chance: Floats = parts.prod(axis=1)
    return chance
