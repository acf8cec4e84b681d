"""Two recordings of the same laps whose clocks differ: whether an offset is offered, and whether it is the true one."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from calc.alignment import clock_offset_s
from tests.simulations.tables import Rate

WRONG_S = 1.0


@dataclass(frozen=True)
class Laps:
    """laps, each of some period; how much one differs from another (sd of its speeds), noise, and a gap in one log."""

    laps: int = 6
    period_s: float = 60.0
    differ_mps: float = 0.05
    noise_mps: float = 0.15
    gap_s: float = 0.0


def tried(of, seed):
    """Whether an offset is offered, and whether it is wrong."""
    rng = np.random.default_rng([2509, seed])
    time_s = np.arange(0.0, of.laps * of.period_s, 0.5)
    phase = 2 * np.pi * time_s / of.period_s
    shape = rng.normal(0, 1, 8)
    speed = 8 + sum(shape[n] * np.sin((n % 4 + 1) * phase + n) for n in range(8)) * 0.8
    # What differs between laps is smooth over some ten seconds, as a rider's driving is.
    own = np.convolve(rng.normal(0, 1, time_s.size), np.hanning(21), "same")
    speed = np.maximum(speed + of.differ_mps * own / own.std(), 0.0)
    second_s, second = time_s, speed
    if of.gap_s:
        kept = (time_s < 0.4 * time_s[-1]) | (time_s > 0.4 * time_s[-1] + of.gap_s)
        second_s, second = time_s[kept], speed[kept]
    true_s = rng.uniform(-20, 20)
    offset = clock_offset_s(
        time_s,
        np.maximum(speed + rng.normal(0, of.noise_mps, speed.size), 0.0),
        second_s - true_s,
        np.maximum(second + rng.normal(0, of.noise_mps, second.size), 0.0),
    )
    is_offered = not offset.rivals and offset.correlation >= 0.6
    return is_offered, is_offered and abs(offset.offset_s - true_s) > WRONG_S


LAPS = {
    "6 laps alike": Laps(),
    "6 laps quite alike": Laps(differ_mps=0.0),
    "10 laps alike, a gap of 90 s": Laps(laps=10, gap_s=90.0),
    "6 laps that differ by 0.5 m/s": Laps(differ_mps=0.5),
    "6 laps that differ by 1.5 m/s": Laps(differ_mps=1.5),
}


def rows(trials, run):
    for name, laps in LAPS.items():
        seen = list(run(partial(tried, laps), range(trials)))
        yield (
            f"clocks brought together: {name}",
            [
                Rate("offered and wrong by more than 1 s", sum(wrong for _, wrong in seen), trials, most=0.01),
                Rate("offered", sum(offered for offered, _ in seen), trials),
            ],
        )
