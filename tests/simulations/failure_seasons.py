"""Invented seasons of breakages. Nothing here knows the code under test.

A machine is ridden in outings; every few outings it is changed. Each mode comes by chance at a rate of its own for
each kilometre. After a failure the builder may fix its mode on the next revision; a fix is worth something or nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

EVERY_FIX = 1.0


@dataclass(frozen=True)
class Habits:
    """How a season goes.

    modes: how many ways there are to break. per_100_km: mean rate of one, drawn with the spread `rate_spread` (that of
    a gamma distribution over its mean). fixes_mode: chance that a mode that came is fixed on the next revision.
    removes: share of the failures that a fix takes away. unnoted: share of outings whose distance nobody noted.
    untimed: share of those whose time is not known either. branch: chance that a revision is made from an earlier one
    than the last, so that later fixes are not on it. clusters: chance that a failure brings another of its cause on the
    same outing. drift: factor of all rates from the first revision to the last.
    """

    modes: int = 5
    revisions: int = 6
    outings: tuple[int, ...] = (3, 4, 5, 6, 7, 8)
    outing_km: float = 12.0
    per_100_km: float = 3.0
    rate_spread: float = 1.0
    fixes_mode: float = 0.8
    removes: float = 0.0
    unnoted: float = 0.0
    untimed: float = 0.3
    branch: float = 0.0
    clusters: float = 0.0
    drift: float = 1.0


class Outing(NamedTuple):
    revision: int
    day: int
    km: float | None
    minutes: float | None


class Breakage(NamedTuple):
    revision: int
    mode: int
    outing: int
    cause: int | None


class Fix(NamedTuple):
    revision: int
    mode: int


@dataclass(frozen=True)
class Season:
    """Outings in their order, what broke on them, and the fixes; `parents` of revisions 1, 2, …"""

    parents: dict[int, int | None]
    outings: list[Outing]
    breakages: list[Breakage]
    fixes: list[Fix]


def draw(random: np.random.Generator, habits: Habits) -> Season:
    rates = habits.per_100_km / 100.0 * _gamma(random, habits)
    parents: dict[int, int | None] = {1: None}
    fixed: dict[int, set[int]] = {1: set()}
    outings: list[Outing] = []
    breakages: list[Breakage] = []
    fixes: list[Fix] = []
    cause = 0
    for revision in range(1, habits.revisions + 1):
        if revision > 1:
            parents[revision] = revision - 1
            if revision > 2 and random.uniform() < habits.branch:
                parents[revision] = int(random.integers(1, revision - 1))
            fixed[revision] = set(fixed[parents[revision]])
            came = {breakage.mode for breakage in breakages if breakage.revision == revision - 1}
            for mode in sorted(came):
                if random.uniform() < habits.fixes_mode:
                    fixes.append(Fix(revision, mode))
                    fixed[revision].add(mode)
        drift = habits.drift ** ((revision - 1) / max(1, habits.revisions - 1))
        for _ in range(int(random.choice(habits.outings))):
            km = habits.outing_km * random.gamma(4.0, 0.25)
            number = len(outings)
            is_noted = random.uniform() >= habits.unnoted
            is_timed = is_noted or random.uniform() >= habits.untimed
            minutes = 60.0 * km / random.uniform(14.0, 20.0)
            outings.append(Outing(revision, number, km if is_noted else None, minutes if is_timed else None))
            for mode in range(habits.modes):
                share = 1.0 - habits.removes if mode in fixed[revision] else 1.0
                for _ in range(random.poisson(rates[mode] * drift * share * km)):
                    cause += 1
                    clustered = random.uniform() < habits.clusters
                    for _ in range(2 if clustered else 1):
                        breakages.append(Breakage(revision, mode, number, cause if clustered else None))
    return Season(parents, outings, breakages, fixes)


def _gamma(random: np.random.Generator, habits: Habits) -> np.ndarray:
    if not habits.rate_spread:
        return np.ones(habits.modes)
    shape = 1.0 / habits.rate_spread**2
    return random.gamma(shape, 1.0 / shape, habits.modes)
