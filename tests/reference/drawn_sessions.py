"""Sessions with true values and drawn errors of the instruments; it knows nothing of the code under test.

Each scenario draws many outings of one kind of evidence: what is true, and what a person noted of it. The errors
(standard deviations) are those that the product states for its instruments; the pack of 14 cells in series has the
open-circuit voltage of Chen et al., J. Electrochem. Soc. 167 (2020) 080534, evaluated with pybamm 26.10.1.1.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

CHARGES = np.linspace(0.0, 1.0, 11)
CELL_V = (2.5, 3.295907, 3.485189, 3.581446, 3.667007, 3.750874, 3.840577, 3.947906, 4.04208, 4.096656, 4.2)
VOLTS = 14 * np.array(CELL_V)
CAPACITY_AH, NOMINAL_V = 48.0, 50.4
ENERGY_WH = CAPACITY_AH * NOMINAL_V
RESERVE = 0.2
COLD_PER_C, WARM_C = 0.005, 25.0
# Standard deviations.
PACK, FULL, REST = 0.05, 0.05, 0.05
COUNTER, METER, WHEEL, ESTIMATE, COLD = 0.02, 0.02, 0.02, 0.1, 1 / 3
VOLTMETER_V, NOMINAL_SHARE, REST_SHARE = 0.1, 0.04, 0.03
PRESS_S, LIGHT_GATE_S = 0.1, 0.002
HAND_S = PRESS_S * 2**0.5
FRAME_S = 1 / 60
VIDEO_S = FRAME_S / 6**0.5
TAPE_M, GATE_M = 0.5, 100.0


@dataclass(frozen=True)
class Passes:
    """Passes as arrays of shape (outings, passes); direction, gate and its length are those of a column."""

    distance_m: Any
    duration_s: Any
    u_distance_m: float
    u_duration_s: float
    is_out: tuple[bool, ...]
    gate: tuple[int, ...]
    marks_m: tuple[float, ...] = ()
    clock_s: Any = None
    """With marks: the time at each of them, of shape (outings, marks)."""


@dataclass(frozen=True)
class Outings:
    """What was noted, by the names of stored columns, and what is true, by the names of results."""

    noted: dict[str, Any]
    true: dict[str, Any]
    passes: Passes | None = None
    volts_under_load: Any = None
    """Of shape (outings, readings)."""
    battery_c: float | None = None
    logged_wh: Any = None
    logged_ah: Any = None


@dataclass(frozen=True)
class Scenario:
    """held: results of which twice the shown uncertainty holds 93 to 97 %; careful: where it holds more, and why."""

    name: str
    draw: Callable[[np.random.Generator, int], Outings]
    held: tuple[str, ...]
    careful: dict[str, str] = field(default_factory=dict)


SCENARIOS: list[Scenario] = []
LUCK = "the luck of the fastest counts as doubt although it only ever makes it too fast"


def scenario(name: str, *held: str, **careful: str) -> Callable[[Any], Any]:
    def add(draw: Any) -> Any:
        SCENARIOS.append(Scenario(name, draw, held, careful))
        return draw

    return add


def _ridden(
    rng: np.random.Generator, count: int, u_duration_s: float, ways: str, gates: int = 1, scatter: float = 0.03
) -> tuple[Passes, dict[str, Any]]:
    """Passes at 13 m/s, 4 % faster out than back, through gates that were measured once."""
    is_out = np.array([way == "o" for way in ways])
    gate = np.arange(len(ways)) // 2 % gates if gates > 1 else np.zeros(len(ways), dtype=int)
    steady_mps = 13.0 * np.where(is_out, 1.02, 0.98)
    mps = steady_mps * (1 + scatter * rng.standard_normal((count, len(ways))))
    # The tape says GATE_M; the gate is as long as it is.
    length_m = (GATE_M + TAPE_M * rng.standard_normal((count, gates)))[:, gate]
    duration_s = length_m / mps + u_duration_s * rng.standard_normal(mps.shape)
    best = [np.where(which, mps, 0.0).max(axis=1) for which in (is_out, ~is_out)]
    true = {
        "average_gate_speed": np.full(count, steady_mps.mean()) if len(ways) > 1 else mps[:, 0],
        "best_gate_speed": mps.max(axis=1),
        "two_way_mean_speed": (best[0] + best[1]) / 2,
    }
    passes = Passes(GATE_M, duration_s, TAPE_M, u_duration_s, tuple(is_out.tolist()), tuple(gate.tolist()))
    return passes, true


def _timed(rng: np.random.Generator, count: int, *args: Any, **options: Any) -> Outings:
    passes, true = _ridden(rng, count, *args, **options)
    return Outings({}, true, passes)


@scenario("hand-timed, six passes both ways", "average_gate_speed", best_gate_speed=LUCK, two_way_mean_speed=LUCK)
def hand_timed(rng: np.random.Generator, count: int) -> Outings:
    return _timed(rng, count, HAND_S, "oboboo")


@scenario("video, four passes one way", "average_gate_speed", "best_gate_speed")
def video(rng: np.random.Generator, count: int) -> Outings:
    return _timed(rng, count, VIDEO_S, "oooo")


@scenario("light gate, two-way", "average_gate_speed", "best_gate_speed", "two_way_mean_speed")
def two_way(rng: np.random.Generator, count: int) -> Outings:
    return _timed(rng, count, LIGHT_GATE_S, "obobobob")


@scenario("one pass by hand", "average_gate_speed", "best_gate_speed")
def one_pass(rng: np.random.Generator, count: int) -> Outings:
    return _timed(rng, count, HAND_S, "o")


@scenario("two gates, hand-timed", "average_gate_speed", best_gate_speed=LUCK)
def two_gates(rng: np.random.Generator, count: int) -> Outings:
    return _timed(rng, count, HAND_S, "obobobob", gates=2)


@scenario("three marks by video", "peak_speed")
def three_marks(rng: np.random.Generator, count: int) -> Outings:
    marks_m = np.array([0.0, 50.0, 100.0])
    stretched = 1 + TAPE_M / GATE_M * rng.standard_normal((count, 1))
    entry_mps, gain_mps2 = 9.0, 0.6
    true_s = (np.sqrt(entry_mps**2 + 2 * gain_mps2 * marks_m * stretched) - entry_mps) / gain_mps2
    clock_s = true_s + VIDEO_S / 2**0.5 * rng.standard_normal((count, 3))
    clock_s = clock_s - clock_s[:, :1]
    peak = np.sqrt(entry_mps**2 + 2 * gain_mps2 * 100.0 * stretched[:, 0])
    passes = Passes(GATE_M, clock_s[:, 2:], TAPE_M, VIDEO_S, (True,), (0,), tuple(marks_m.tolist()), clock_s)
    return Outings({}, {"peak_speed": peak}, passes)


RIDDEN_M, RIDDEN_S = 18_000.0, 3000.0
OF_THE_RIDE = ("energy_used", "energy_per_distance", "mean_power")
OF_THE_PACK = ("energy_left", "remaining_range", "turn_back_distance", "runtime_left")


def _true_of(used_wh: Any, left_wh: Any, pack_wh: Any) -> dict[str, Any]:
    """What a ride of 18 km in 50 minutes tells, a fifth of the pack kept."""
    per_km = used_wh / (RIDDEN_M / 1000)
    spare = left_wh - RESERVE * pack_wh
    return {
        "energy_used": used_wh,
        "energy_per_distance": per_km,
        "mean_power": used_wh / (RIDDEN_S / 3600),
        "energy_left": left_wh,
        "range": 1000 * (1 - RESERVE) * pack_wh / per_km,
        "remaining_range": 1000 * spare / per_km,
        "turn_back_distance": 1000 * spare / per_km / 2,
        "runtime_left": 3600 * spare / (used_wh / (RIDDEN_S / 3600)),
    }


class Ride:
    """One ride, drawn: a pack that holds what it holds, and instruments that are off by what they are off."""

    def __init__(self, rng: np.random.Generator, count: int, distance_u: float = WHEEL) -> None:
        self.rng, self.count = rng, count
        self.pack = self.about(1.0, PACK)
        self.distance_m = RIDDEN_M * self.about(1.0, distance_u)
        self.noted = {"distance_m": self.distance_m, "u_distance_m": distance_u * self.distance_m}
        self.noted["runtime_s"] = np.full(count, RIDDEN_S)

    def about(self, value: float, u: float) -> Any:
        return value + u * self.rng.standard_normal(self.count)

    def counted(self, used_ah: float) -> None:
        self.noted["charge_used_ah"] = used_ah * self.about(1.0, COUNTER)
        self.noted["u_charge_used_ah"] = COUNTER * self.noted["charge_used_ah"]

    def from_full(self, used_wh: Any, held_back: Any = 0.0) -> dict[str, Any]:
        """True values of a pack that was taken to the lake full, or nearly, or a little more."""
        pack_wh = ENERGY_WH * self.pack
        return _true_of(used_wh, pack_wh * (self.about(1.0, FULL) - held_back) - used_wh, pack_wh)

    def held_back(self, temperature_c: float) -> Any:
        return COLD_PER_C * (WARM_C - temperature_c) * self.about(1.0, COLD)


@scenario("energy meter only", *OF_THE_RIDE, *OF_THE_PACK, "range")
def meter(rng: np.random.Generator, count: int) -> Outings:
    ride = Ride(rng, count)
    used_wh = np.full(count, 900.0)
    ride.noted["energy_used_wh"] = used_wh * ride.about(1.0, METER)
    ride.noted["u_energy_used_wh"] = METER * ride.noted["energy_used_wh"]
    return Outings(ride.noted, ride.from_full(used_wh))


@scenario("charge counter, voltage as assumed", *OF_THE_RIDE, *OF_THE_PACK, "range")
def counter(rng: np.random.Generator, count: int) -> Outings:
    ride = Ride(rng, count)
    ride.counted(18.0)
    return Outings(ride.noted, ride.from_full(18.0 * NOMINAL_V * ride.about(1.0, NOMINAL_SHARE)))


@scenario("charge counter and six voltages under load", *OF_THE_RIDE, *OF_THE_PACK)
def under_load(rng: np.random.Generator, count: int) -> Outings:
    ride = Ride(rng, count)
    ride.counted(18.0)
    mean_v = 48.5
    volts = mean_v + ride.about(0.0, VOLTMETER_V)[:, None] + 1.5 * rng.standard_normal((count, 6))
    return Outings(ride.noted, ride.from_full(np.full(count, 18.0 * mean_v)), volts_under_load=volts)


@scenario("charge counter and two voltages under load", **dict.fromkeys(
    OF_THE_RIDE, "two voltages that come close by luck do not pass for knowledge"))  # fmt: skip
def two_voltages(rng: np.random.Generator, count: int) -> Outings:
    ride = Ride(rng, count)
    ride.counted(18.0)
    volts = 48.5 + ride.about(0.0, VOLTMETER_V)[:, None] + 1.5 * rng.standard_normal((count, 2))
    return Outings(ride.noted, ride.from_full(np.full(count, 18.0 * 48.5)), volts_under_load=volts)


def _rest_v(ride: Ride, charge: float, off_v: Any) -> Any:
    """What a voltmeter shows of a pack at rest, of which the curve says the charge within REST."""
    return np.interp(charge + ride.about(0.0, REST), CHARGES, VOLTS) + off_v


@scenario("rest voltages only", "charge_used", *OF_THE_RIDE, *OF_THE_PACK)
def rest_voltages(rng: np.random.Generator, count: int) -> Outings:
    ride = Ride(rng, count)
    off_v = ride.about(0.0, VOLTMETER_V)
    began, ended = 0.85, 0.35
    ride.noted["rest_voltage_start_v"] = _rest_v(ride, began, off_v)
    ride.noted["rest_voltage_end_v"] = _rest_v(ride, ended, off_v)
    used_ah = (began - ended) * CAPACITY_AH * ride.pack
    rest_v = np.interp(began, CHARGES, VOLTS) / 2 + np.interp(ended, CHARGES, VOLTS) / 2
    used_wh = used_ah * rest_v * ride.about(1.0, REST_SHARE)
    pack_wh = ENERGY_WH * ride.pack
    return Outings(ride.noted, _true_of(used_wh, ended * pack_wh, pack_wh) | {"charge_used": used_ah})


@scenario("rest voltage before, and a counter", *OF_THE_PACK)
def rest_before(rng: np.random.Generator, count: int) -> Outings:
    ride = Ride(rng, count)
    ride.counted(14.0)
    began = 0.75
    ride.noted["rest_voltage_start_v"] = _rest_v(ride, began, ride.about(0.0, VOLTMETER_V))
    # The mean voltage is taken for that at rest before, because none was read after.
    pack_wh = ENERGY_WH * ride.pack
    used_wh = 14.0 * NOMINAL_V * ride.about(1.0, NOMINAL_SHARE)
    return Outings(ride.noted, _true_of(used_wh, began * pack_wh - used_wh, pack_wh))


@scenario("estimated distance", *OF_THE_RIDE, *OF_THE_PACK, "range")
def estimated(rng: np.random.Generator, count: int) -> Outings:
    ride = Ride(rng, count, distance_u=ESTIMATE)
    used_wh = np.full(count, 900.0)
    ride.noted["energy_used_wh"] = used_wh * ride.about(1.0, METER)
    ride.noted["u_energy_used_wh"] = METER * ride.noted["energy_used_wh"]
    return Outings(ride.noted, ride.from_full(used_wh))


@scenario("cold pack", *OF_THE_PACK)
def cold(rng: np.random.Generator, count: int) -> Outings:
    ride = Ride(rng, count)
    ride.counted(14.0)
    ride.noted["air_temperature_c"] = np.full(count, -18.0)
    used_wh = 14.0 * NOMINAL_V * ride.about(1.0, NOMINAL_SHARE)
    return Outings(ride.noted, ride.from_full(used_wh, ride.held_back(-18.0)))


@scenario("cold pack at rest, temperature read at the battery", *OF_THE_PACK)
def cold_at_rest(rng: np.random.Generator, count: int) -> Outings:
    ride = Ride(rng, count)
    off_v = ride.about(0.0, VOLTMETER_V)
    ended = 0.6
    ride.noted["rest_voltage_end_v"] = _rest_v(ride, ended, off_v)
    used_wh = np.full(count, 900.0)
    ride.noted["energy_used_wh"] = used_wh * ride.about(1.0, METER)
    ride.noted["u_energy_used_wh"] = METER * ride.noted["energy_used_wh"]
    ride.noted["air_temperature_c"] = np.full(count, -20.0)
    pack_wh = ENERGY_WH * ride.pack
    left_wh = pack_wh * (ended - ride.held_back(-5.0))
    return Outings(ride.noted, _true_of(used_wh, left_wh, pack_wh), battery_c=-5.0)


@scenario("integrated log", "charge_used", *OF_THE_RIDE, *OF_THE_PACK)
def logged(rng: np.random.Generator, count: int) -> Outings:
    ride = Ride(rng, count)
    # One current sensor: what it is off, it is off in charge and in energy.
    off = ride.about(1.0, COUNTER)
    used_wh = np.full(count, 900.0)
    true = ride.from_full(used_wh) | {"charge_used": np.full(count, 18.6)}
    return Outings(ride.noted, true, logged_wh=used_wh * off, logged_ah=18.6 * off)
