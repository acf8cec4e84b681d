"""Doubts: how many plausible sessions are doubted, and how many slips are noticed."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tests.doubts.assembled import doubted
from tests.doubts.plausible import draw
from tests.doubts.slips_made import LOG_SLIPS, SLIPS_MADE, slipped
from tests.simulations.tables import Rate, Row, Spread, table

AT_ONCE = 4000
SESSIONS_PER_TRIAL = 40
LEAST_NOTICED, MOST_DOUBTED = 0.95, 0.001


def plausible(seed: int, noted: float) -> tuple[int, int]:
    """How many of `AT_ONCE` sessions are doubted."""
    rows, _ = doubted(draw(np.random.default_rng(seed), AT_ONCE, noted))
    return int(rows.sum()), len(rows)


def noticed(seed: int, count: int = AT_ONCE, noted: float = 1.0) -> list[tuple[int, int]]:
    """For each slip, in how many sessions it is noticed, of those in which it changed something.

    A session that was doubted without the slip counts for neither.
    """
    outing = draw(np.random.default_rng(seed), count, noted)
    before, _ = doubted(outing)
    counts = []
    for made in [*SLIPS_MADE, *LOG_SLIPS]:
        with_slip, changed = slipped(outing, made)
        after, _ = doubted(with_slip)
        counts.append((int((after & changed & ~before).sum()), int((changed & ~before).sum())))
    return counts


def _plausible_fully(seed: int) -> tuple[int, int]:
    return plausible(seed, 1.0)


def _plausible_half(seed: int) -> tuple[int, int]:
    return plausible(seed, 0.5)


def _noticed_half(seed: int) -> list[tuple[int, int]]:
    return noticed(seed, noted=0.5)


@table("doubts")
def doubts(trials: int, spread: Spread) -> Iterator[Row]:
    """Random plausible machines and sessions; each trial is 40 of them, slips are made on a quarter."""
    seeds = range(max(1, trials * SESSIONS_PER_TRIAL // AT_ONCE))
    for words, run in (("everything was noted", _plausible_fully), ("half of it was noted", _plausible_half)):
        counts = np.array(list(spread(run, seeds))).sum(axis=0)
        rate = Rate("doubted", int(counts[0]), int(counts[1]), most=MOST_DOUBTED)
        yield f"plausible sessions, {words}: {rate.count} of {rate.trials} doubted", [rate]
    fewer = range(1000, 1000 + max(1, len(seeds) // 4))
    whole, half = (np.array(list(spread(run, fewer))).sum(axis=0) for run in (noticed, _noticed_half))
    for made, counts, thin in zip([*SLIPS_MADE, *LOG_SLIPS], whole, half, strict=True):
        least = 0.0 if made.by_nature else LEAST_NOTICED
        row = f"{made.name}{f' (by nature: {made.by_nature})' if made.by_nature else ''}"
        yield (
            row,
            [
                Rate("noticed", int(counts[0]), int(counts[1]), least=least),
                Rate("noticed where half was noted", int(thin[0]), int(thin[1])),
            ],
        )
