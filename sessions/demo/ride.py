"""One ride, simulated in steps of time: road load, motor, battery. The demo's numbers come from here."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from calc.pack import CELL_CURVE
from calc.weather import air_density_kg_per_m3

GRAVITY_MPS2 = 9.80665
STEP_S = 0.2


@dataclass(frozen=True)
class Build:
    """What of a revision matters to a ride."""

    mass_kg: float
    drag_area_m2: float
    rolling_coefficient: float
    motor_power_w: float
    no_load_speed_mps: float
    series_cells: int
    capacity_ah: float
    resistance_ohm: float
    efficiency: float = 0.8


@dataclass(frozen=True)
class Day:
    """What of a day matters to a ride."""

    air_temperature_c: float
    wind_mps: float
    rolling_factor: float
    start_charge: float = 1.0


@dataclass
class Ride:
    """What the instruments would have shown."""

    distance_m: float = 0.0
    runtime_s: float = 0.0
    charge_ah: float = 0.0
    energy_wh: float = 0.0
    samples: list[tuple[float, float, float, float, float, float]] = field(default_factory=list)
    passes: list[tuple[float, list[float]]] = field(default_factory=list)
    rest_start_v: float = 0.0
    rest_end_v: float = 0.0
    motor_temperature_c: float = 0.0


def rest_voltage_v(build: Build, charge: float) -> float:
    """Pack rest voltage: the published cell curve, cells in series."""
    return build.series_cells * float(np.interp(charge, CELL_CURVE.state_of_charge, CELL_CURVE.voltage_v))


@dataclass(frozen=True)
class RoadLoad:
    """F = c_r m g + ½ ρ c_d A (v + w)² on the level (SAE J1263), worked out once for a day."""

    rolling_n: float
    drag_n_per_mps2: float

    @classmethod
    def on(cls, build: Build, day: Day) -> RoadLoad:
        density = air_density_kg_per_m3(day.air_temperature_c)
        rolling_n = build.rolling_coefficient * day.rolling_factor * build.mass_kg * GRAVITY_MPS2
        return cls(rolling_n, 0.5 * density * build.drag_area_m2)

    def force_n(self, speed_mps: float, headwind_mps: float) -> float:
        air_mps = speed_mps + headwind_mps
        return self.rolling_n + self.drag_n_per_mps2 * air_mps * abs(air_mps)


class _Pack:
    """Charge falls, the motor warms; a cold pack has less to give and more resistance."""

    def __init__(self, build: Build, day: Day) -> None:
        cold = max(0.0, 20.0 - day.air_temperature_c)
        self.build = build
        self.capacity_ah = build.capacity_ah * max(0.5, 1.0 - 0.004 * cold)
        self.resistance_ohm = build.resistance_ohm * (1.0 + 0.012 * cold)
        self.charge = day.start_charge

    def supply(self, power_w: float) -> tuple[float, float]:
        """Current and voltage under a power: U = U₀ − R I and P = U I, the smaller root."""
        open_v = rest_voltage_v(self.build, self.charge)
        largest_w = open_v**2 / (4 * self.resistance_ohm)
        power_w = min(power_w, 0.9 * largest_w)
        current_a = (open_v - math.sqrt(open_v**2 - 4 * self.resistance_ohm * power_w)) / (2 * self.resistance_ohm)
        return current_a, open_v - self.resistance_ohm * current_a

    def drain(self, current_a: float, time_s: float) -> None:
        self.charge = max(0.02, self.charge - current_a * time_s / 3600.0 / self.capacity_ah)


def simulate(build: Build, day: Day, pass_count: int, cruise_m: float, marks_m: tuple[float, ...]) -> Ride:
    """Passes out and back at full power, with cruising between them, from rest to rest."""
    pack = _Pack(build, day)
    ride = Ride(rest_start_v=rest_voltage_v(build, pack.charge), motor_temperature_c=day.air_temperature_c)
    state = _State(build, day, pack, ride)
    for number in range(pass_count):
        headwind = day.wind_mps if number % 2 else -day.wind_mps
        state.full_power_pass(headwind, marks_m)
        state.cruise(cruise_m, headwind)
        state.coast_to_rest(headwind)
    ride.rest_end_v = rest_voltage_v(build, pack.charge)
    return ride


class _State:
    """The machine in motion."""

    def __init__(self, build: Build, day: Day, pack: _Pack, ride: Ride) -> None:
        self.build, self.day, self.pack, self.ride = build, day, pack, ride
        self.road_load = RoadLoad.on(build, day)
        self.speed_mps = 0.0

    def _step(self, target_mps: float, headwind_mps: float) -> None:
        """One time step with the power needed for the target speed, as far as available; semi-implicit Euler."""
        build, ride = self.build, self.ride
        resisting_n = self.road_load.force_n(self.speed_mps, headwind_mps)
        share_left = max(0.0, 1.0 - self.speed_mps / build.no_load_speed_mps)
        most_w = build.motor_power_w * min(1.0, 4.0 * share_left)
        if self.speed_mps < target_mps:
            power_w = most_w
        else:
            power_w = min(most_w, max(0.0, resisting_n * self.speed_mps * 0.98)) if target_mps else 0.0
        driving_n = min(power_w / max(self.speed_mps, 1.0), 0.25 * build.mass_kg * GRAVITY_MPS2)
        mechanical_w = driving_n * max(self.speed_mps, 1.0)
        current_a, voltage_v = self.pack.supply(mechanical_w / build.efficiency + 15.0)
        self.pack.drain(current_a, STEP_S)
        self.speed_mps = max(0.0, self.speed_mps + (driving_n - resisting_n) / build.mass_kg * STEP_S)
        loss_w = mechanical_w * (1 / build.efficiency - 1)
        cooling_w = 14.0 * (ride.motor_temperature_c - self.day.air_temperature_c)
        ride.motor_temperature_c += (loss_w - cooling_w) / 9000.0 * STEP_S
        ride.distance_m += self.speed_mps * STEP_S
        ride.runtime_s += STEP_S
        ride.charge_ah += current_a * STEP_S / 3600.0
        ride.energy_wh += current_a * voltage_v * STEP_S / 3600.0
        ride.samples.append(
            (ride.runtime_s, voltage_v, current_a, ride.charge_ah, ride.motor_temperature_c, ride.distance_m)
        )

    def full_power_pass(self, headwind_mps: float, marks_m: tuple[float, ...]) -> None:
        run_up_m = 250.0
        began_m, began_s = self.ride.distance_m, self.ride.runtime_s
        crossings: list[float] = []
        while len(crossings) < len(marks_m) and self.ride.runtime_s - began_s < 300:
            before_m, before_s = self.ride.distance_m - began_m, self.ride.runtime_s
            self._step(1e9, headwind_mps)
            after_m = self.ride.distance_m - began_m
            mark_m = run_up_m + marks_m[len(crossings)]
            if before_m < mark_m <= after_m:
                crossings.append(before_s + STEP_S * (mark_m - before_m) / (after_m - before_m))
        if len(crossings) == len(marks_m):
            self.ride.passes.append((crossings[0], [time - crossings[0] for time in crossings]))

    def cruise(self, distance_m: float, headwind_mps: float) -> None:
        end_m, target_mps = self.ride.distance_m + distance_m, 0.55 * self.build.no_load_speed_mps
        began_s = self.ride.runtime_s
        while self.ride.distance_m < end_m and self.ride.runtime_s - began_s < 3600:
            self._step(target_mps, headwind_mps)

    def coast_to_rest(self, headwind_mps: float) -> None:
        began_s = self.ride.runtime_s
        while self.speed_mps > 2.0 and self.ride.runtime_s - began_s < 120:
            self._step(0.0, headwind_mps)
        self.speed_mps = 0.0
