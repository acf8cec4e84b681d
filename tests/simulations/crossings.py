"""Hands-free passes: how often twice their stated uncertainty holds, how large it is, and how many are false."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np

from calc.crossings import MOST_RELATIVE_U, gate_passes
from tests.simulations.satellite_rides import GATE_M, U_TAPE_M, Regime, draw_ride, draw_standing_start
from tests.simulations.tables import Rate, Row, Spread, table

SPEEDS_MPS = (3.0, 6.0, 10.0, 15.0, 25.0)
RIDES_PER_TRIAL = 0.4
"""500 trials of the command are 200 rides of each regime."""
SAME_S = 5.0
STANDING_STARTS = ((0.5, 6.0), (1.0, 8.0), (1.5, 12.0), (3.0, 20.0))
LEAST_WITHIN, MOST_FALSE = 0.93, 0.015


@dataclass(frozen=True)
class Counts:
    within: int
    good: int
    doubtful: int
    ridden: int
    false: int
    shown: int
    relative_u: tuple[float, ...]


def counted(regime: Regime, seed: int) -> Counts:
    """The passes of one ride of 15 min, against what was true."""
    ride = draw_ride(regime, seed)
    passes = gate_passes(
        time_s=ride.time_s,
        east_m=ride.east_m,
        north_m=ride.north_m,
        mark_east_m=ride.mark_east_m,
        mark_north_m=ride.mark_north_m,
        mark_distance_m=[0.0, GATE_M + U_TAPE_M * float(np.random.default_rng(seed).normal())],
        speed_mps=ride.speed_mps,
        accuracy_m=ride.accuracy_m,
        u_mark_m=ride.u_mark_m,
    )
    within = good = doubtful = false = shown = 0
    relative_u = []
    for timed_pass in passes:
        apart = np.abs(ride.true_began_s - timed_pass.mark_s[0])
        place = int(apart.argmin()) if apart.size else -1
        if place < 0 or not timed_pass.is_out or apart[place] > max(SAME_S, 0.3 * ride.true_duration_s[place]):
            # The last seconds of a ride may hold a pass that is not among the true ones.
            false += not timed_pass.doubts and timed_pass.mark_s[-1] < ride.time_s[-1] - 60
            continue
        if timed_pass.doubts:
            doubtful += 1
            continue
        good += 1
        # The tape's own uncertainty belongs to the gate, and is not in that of the time.
        u_s = float(np.hypot(timed_pass.u_duration_s, U_TAPE_M / GATE_M * timed_pass.duration_s))
        within += bool(abs(timed_pass.duration_s - ride.true_duration_s[place]) <= 2 * u_s)
        relative_u.append(timed_pass.u_duration_s / timed_pass.duration_s)
        shown += bool(relative_u[-1] <= MOST_RELATIVE_U)
    return Counts(within, good, doubtful, ride.true_began_s.size, false, shown, tuple(relative_u))


def rates(regime: Regime, seeds: range, spread: Spread) -> tuple[list[Rate], float]:
    """The rates of a regime, and its middle relative uncertainty."""
    rows = list(spread(partial(counted, regime), seeds))
    good = sum(row.good for row in rows)
    middle = float(np.median([u for row in rows for u in row.relative_u])) if good else float("nan")
    false = sum(row.false for row in rows)
    return [
        Rate("within ±2u", sum(row.within for row in rows), good, least=LEAST_WITHIN),
        Rate("false for each good one", false, good, most=MOST_FALSE),
        Rate("found without a doubt, of those ridden", good, sum(row.ridden for row in rows)),
        Rate("offered as doubtful", sum(row.doubtful for row in rows), sum(row.ridden for row in rows)),
        Rate("u at most 5 %, so that a speed is shown", sum(row.shown for row in rows), good),
    ], middle


def starts_counted(gain_mps2: float, top_mps: float, gives_speed: bool, seed: int) -> Counts:
    """A ride from rest on the first mark, against what was true; a pass without a doubt is a false one here."""
    ride = draw_standing_start(gain_mps2, top_mps, gives_speed, seed)
    passes = gate_passes(
        time_s=ride.time_s,
        east_m=ride.east_m,
        north_m=ride.north_m,
        mark_east_m=ride.mark_east_m,
        mark_north_m=ride.mark_north_m,
        mark_distance_m=[0.0, GATE_M],
        speed_mps=ride.speed_mps,
        accuracy_m=ride.accuracy_m,
        u_mark_m=ride.u_mark_m,
    )
    starts = [gate_pass for gate_pass in passes if gate_pass.is_standing and gate_pass.is_out]
    within = sum(abs(start.duration_s - ride.true_duration_s[0]) <= 2 * start.u_duration_s for start in starts)
    false = sum(not gate_pass.doubts for gate_pass in passes)
    relative_u = tuple(start.u_duration_s / start.duration_s for start in starts)
    return Counts(int(within), len(starts), len(starts), 1, false, 0, relative_u)


def start_rates(gain_mps2: float, top_mps: float, gives_speed: bool, seeds: range, spread: Spread) -> list[Rate]:
    """The rates of rides from rest: without the receiver's speed ± has no promise, and the ride is doubted for it."""
    rows = list(spread(partial(starts_counted, gain_mps2, top_mps, gives_speed), seeds))
    good = sum(row.good for row in rows)
    return [
        Rate("within ±2u", sum(row.within for row in rows), good, least=LEAST_WITHIN if gives_speed else 0.0),
        Rate("taken as a flying pass", sum(row.false for row in rows), len(rows), most=MOST_FALSE),
        Rate("offered as a standing start", good, len(rows)),
    ]


@table("crossings")
def crossings(trials: int, spread: Spread) -> Iterator[Row]:
    """Rides of 15 min on ovals 24 to 60 m apart, fixes at 1 Hz: passes through a gate of 100 m found by satellite."""
    seeds = range(max(1, round(trials * RIDES_PER_TRIAL)))
    regimes = [Regime(speed, gives) for gives in (True, False) for speed in SPEEDS_MPS]
    regimes += [Regime(10.0, gives, noise_m=(level, level)) for gives in (True, False) for level in (1.5, 2.0, 3.0)]
    regimes += [Regime(10.0, gives, (24.0, 24.0)) for gives in (True, False)]
    for regime in regimes:
        row_rates, middle = rates(regime, seeds, spread)
        low, high = regime.noise_m
        noise = f"{low:g} m" if low == high else f"{low:g} to {high:g} m"
        speed = "with" if regime.gives_speed else "without"
        nearest, widest = regime.apart_m
        oval = "" if nearest < widest else f", oval {nearest:g} m apart"
        row = f"{regime.speed_mps:g} m/s, {speed} the receiver's speed, noise {noise}{oval}: {len(seeds)} rides"
        yield f"{row}, middle u {100 * middle:.1f} %", row_rates
    for gives_speed in (True, False):
        for gain_mps2, top_mps in STANDING_STARTS:
            row_rates = start_rates(gain_mps2, top_mps, gives_speed, seeds, spread)
            speed = "with" if gives_speed else "without"
            gains = f"{gain_mps2:g} m/s² to {top_mps:g} m/s"
            yield f"from rest on the first mark, {gains}, {speed} the receiver's speed: {len(seeds)} rides", row_rates
