"""Simulated rides through a gate with a satellite receiver on board. It knows nothing of the code that finds passes.

A machine goes round an oval of two straights and two half circles; the gate lies on one of the straights, the other
runs beside it. It slows down for the turns and gains speed on the straights, so its speed changes within the gate.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

GATE_M = 100.0
SESSION_S = 900.0
FINE_S = 0.05
TURN_MPS2, GAIN_MPS2 = 4.0, 1.5
STANDING_S = 30
U_TAPE_M = 0.1


@dataclass(frozen=True)
class Regime:
    """What is the same in all rides of a row of the table. The rest is drawn anew for each ride."""

    speed_mps: float
    gives_speed: bool
    apart_m: tuple[float, float] = (24.0, 60.0)
    """How far the way back runs beside the gate."""
    noise_m: tuple[float, float] = (1.5, 4.0)
    """Standard deviation of an error on each axis; most of it drifts slowly, 0.3 to 1 m of it is white."""


@dataclass(frozen=True)
class Ride:
    """What the receiver wrote down, and what was true."""

    time_s: Any
    east_m: Any
    north_m: Any
    speed_mps: Any
    accuracy_m: Any
    mark_east_m: Any
    mark_north_m: Any
    u_mark_m: float
    true_began_s: Any
    true_duration_s: Any


def slow_noise(draws: np.random.Generator, count: int, deviation_m: float, memory_s: float, step_s: float = 1.0) -> Any:
    """A first-order autoregressive error: exponential autocorrelation of the given memory."""
    kept = np.exp(-step_s / memory_s)
    shocks = draws.normal(0.0, deviation_m * np.sqrt(1 - kept**2), count)
    shocks[0] = draws.normal(0.0, deviation_m)
    values = np.empty(count)
    values[0] = shocks[0]
    for row in range(1, count):
        values[row] = kept * values[row - 1] + shocks[row]
    return values


def draw_ride(regime: Regime, seed: int) -> Ride:
    draws = np.random.default_rng([seed, round(10 * regime.speed_mps), regime.gives_speed])
    apart_m = draws.uniform(*regime.apart_m)
    turn_mps = min(0.8 * regime.speed_mps, float(np.sqrt(TURN_MPS2 * apart_m / 2)))
    run_up_m = (regime.speed_mps**2 - turn_mps**2) / (2 * GAIN_MPS2) + 10.0
    straight_m = GATE_M + 2 * run_up_m * draws.uniform(0.7, 1.3)
    way_m, speeds = _ridden(draws, regime.speed_mps, turn_mps, straight_m, apart_m)
    gate_at_m = (straight_m - GATE_M) / 2
    x, y = _on_the_oval(way_m, straight_m, apart_m)
    lap_m = 2 * straight_m + np.pi * apart_m
    fine_s = np.arange(way_m.size) * FINE_S
    laps = np.arange(int(way_m[-1] // lap_m) + 1) * lap_m
    began_s, ended_s = (np.interp(laps + at_m, way_m, fine_s) for at_m in (gate_at_m, gate_at_m + GATE_M))
    whole = laps + gate_at_m + GATE_M < way_m[-1] - 20 * regime.speed_mps
    # The rider never keeps to the line: a slow weave of a metre or so.
    y = y + draws.uniform(0.0, 1.0) * np.sin(2 * np.pi * way_m / draws.uniform(60.0, 200.0))
    fixes = slice(int(draws.integers(0, round(1 / FINE_S))), None, round(1 / FINE_S))
    time_s, x, y, speeds = fine_s[fixes], x[fixes] - gate_at_m, y[fixes], speeds[fixes]
    deviation_m, memory_s, white_m = draws.uniform(*regime.noise_m), draws.uniform(10, 60), draws.uniform(0.3, 1.0)
    slow_m = float(np.sqrt(deviation_m**2 - white_m**2))

    def error() -> Any:
        return slow_noise(draws, time_s.size, slow_m, memory_s) + draws.normal(0, white_m, time_s.size)

    # Each mark was set by standing at it, another time, with the same receiver.
    marks = np.array([[0.0, 0.0], [GATE_M, 0.0]])
    for mark in marks:
        for axis in (0, 1):
            stood = slow_noise(draws, STANDING_S, slow_m, memory_s) + draws.normal(0, white_m, STANDING_S)
            mark[axis] += stood.mean()
    turn_rad = draws.uniform(0, 2 * np.pi)
    east_m, north_m = _turned(x + error(), y + error(), turn_rad)
    mark_east_m, mark_north_m = _turned(marks[:, 0], marks[:, 1], turn_rad)
    stated_m = 1.515 * deviation_m * draws.uniform(0.8, 1.25)
    seen = np.abs(speeds + draws.normal(0, draws.uniform(0.1, 0.3), speeds.size))
    return Ride(
        time_s, east_m, north_m, seen if regime.gives_speed else None, stated_m, mark_east_m, mark_north_m,
        stated_m / 1.515, began_s[whole], (ended_s - began_s)[whole],
    )  # fmt: skip


def draw_standing_start(gain_mps2: float, top_mps: float, gives_speed: bool, seed: int) -> Ride:
    """A machine that stands on the first mark for a while, goes off at a steady gain of speed, and rides on past the
    last one. Its nose is put on the mark to some centimetres.
    """
    draws = np.random.default_rng([seed, round(10 * gain_mps2), round(10 * top_mps), gives_speed])
    stands_s = draws.uniform(8.0, 40.0)
    fine_s = np.arange(0.0, stands_s + GATE_M / top_mps + top_mps / gain_mps2 + 25.0, FINE_S)
    speeds = np.clip((fine_s - stands_s) * gain_mps2, 0.0, top_mps)
    x = draws.normal(0.0, 0.1) + np.append(0.0, np.cumsum((speeds[1:] + speeds[:-1]) / 2) * FINE_S)
    ended_s = float(np.interp(GATE_M, x, fine_s))
    fixes = slice(int(draws.integers(0, round(1 / FINE_S))), None, round(1 / FINE_S))
    time_s, x, speeds = fine_s[fixes], x[fixes], speeds[fixes]
    deviation_m, memory_s, white_m = draws.uniform(1.5, 4.0), draws.uniform(10, 60), draws.uniform(0.3, 1.0)
    slow_m = float(np.sqrt(deviation_m**2 - white_m**2))

    def error(count: int) -> Any:
        return slow_noise(draws, count, slow_m, memory_s) + draws.normal(0, white_m, count)

    marks = np.array([[0.0, 0.0], [GATE_M, 0.0]]) + [[error(STANDING_S).mean() for _ in range(2)] for _ in range(2)]
    stated_m = 1.515 * deviation_m * draws.uniform(0.8, 1.25)
    seen = np.abs(speeds + draws.normal(0, draws.uniform(0.1, 0.3), speeds.size))
    return Ride(
        time_s, x + error(time_s.size), error(time_s.size), seen if gives_speed else None, stated_m,
        marks[:, 0], marks[:, 1], stated_m / 1.515, np.array([stands_s]), np.array([ended_s - stands_s]),
    )  # fmt: skip


def _ridden(draws: np.random.Generator, top: float, turn: float, straight_m: float, apart_m: float) -> tuple[Any, Any]:
    """Way and speed at every twentieth of a second: as fast as turns, gains and the rider's mood let it go."""
    lap_m = 2 * straight_m + np.pi * apart_m
    grid = np.arange(0.0, lap_m, 0.5)
    half = grid % (lap_m / 2)
    highest = np.where(half < straight_m, top, turn)
    for _ in range(2):
        for order in (range(grid.size), range(grid.size - 1, -1, -1)):
            before = order[-1]
            for place in order:
                highest[place] = min(highest[place], np.sqrt(highest[before] ** 2 + 2 * GAIN_MPS2 * 0.5))
                before = place
    moods = 1 + np.clip(draws.normal(0, 0.05, 400), -0.15, 0.15)
    way, speeds = np.empty(round(SESSION_S / FINE_S)), np.empty(round(SESSION_S / FINE_S))
    at_m, speed, highest, moods = 0.0, turn, highest.tolist(), moods.tolist()
    for row in range(way.size):
        wanted = highest[int((at_m % lap_m) / 0.5) % len(highest)] * moods[int(at_m / (lap_m / 4)) % len(moods)]
        speed += min(max(wanted - speed, -2 * GAIN_MPS2 * FINE_S), GAIN_MPS2 * FINE_S)
        at_m += speed * FINE_S
        way[row], speeds[row] = at_m, speed
    return way, speeds


def _on_the_oval(way_m: Any, straight_m: float, apart_m: float) -> tuple[Any, Any]:
    radius_m, turn_m = apart_m / 2, np.pi * apart_m / 2
    at = way_m % (2 * straight_m + 2 * turn_m)
    angle = (at - straight_m) / radius_m
    back = at - straight_m - turn_m
    angle_back = (back - straight_m) / radius_m
    cases = [at < straight_m, at < straight_m + turn_m, back < straight_m]
    x = np.select(
        cases,
        [at, straight_m + radius_m * np.sin(angle), straight_m - back],
        -radius_m * np.sin(angle_back),
    )
    y = np.select(
        cases,
        [0 * at, radius_m * (1 - np.cos(angle)), apart_m + 0 * at],
        radius_m * (1 + np.cos(angle_back)),
    )
    return x, y


def _turned(x: Any, y: Any, angle_rad: float) -> tuple[Any, Any]:
    return x * np.cos(angle_rad) - y * np.sin(angle_rad), x * np.sin(angle_rad) + y * np.cos(angle_rad)
