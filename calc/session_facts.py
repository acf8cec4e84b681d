"""What is known of a session, as plain numbers: the input of `calc.session_report`.

None means "not known", never zero. Units are in the names.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from calc.pack import StateOfChargeCurve


@dataclass(frozen=True)
class PassFacts:
    """One timed run that counts. Marks between are optional; both tuples include both ends."""

    distance_m: float
    duration_s: float
    u_distance_m: float
    u_duration_s: float
    direction: str = "out"
    mark_positions_m: tuple[float, ...] = ()
    mark_times_s: tuple[float, ...] = ()


@dataclass(frozen=True)
class ReadingFacts:
    time_s: float
    voltage_v: float | None = None
    current_a: float | None = None
    charge_used_ah: float | None = None
    battery_temperature_c: float | None = None
    motor_temperature_c: float | None = None
    controller_temperature_c: float | None = None


@dataclass(frozen=True)
class LogFacts:
    """A logged series, arrays of one length; current is positive when discharging."""

    time_s: Any
    voltage_v: Any
    current_a: Any


@dataclass(frozen=True)
class PackFacts:
    full_voltage_v: float
    nominal_voltage_v: float
    empty_voltage_v: float
    capacity_ah: float
    energy_wh: float
    continuous_current_a: float | None = None
    curve: StateOfChargeCurve | None = None


@dataclass(frozen=True)
class LimitFacts:
    """What a controller or motor stands, as its maker states it."""

    highest_voltage_v: float | None = None
    lowest_voltage_v: float | None = None
    continuous_current_a: float | None = None
    highest_temperature_c: float | None = None


@dataclass(frozen=True)
class SessionFacts:
    distance_m: float | None = None
    u_distance_m: float = 0.0
    runtime_s: float | None = None
    charge_used_ah: float | None = None
    u_charge_used_ah: float = 0.0
    energy_used_wh: float | None = None
    u_energy_used_wh: float = 0.0
    log: LogFacts | None = None
    rest_voltage_start_v: float | None = None
    rest_voltage_end_v: float | None = None
    u_voltage_v: float = 0.1
    u_rest_charge_fraction: float = 0.05
    reserve_fraction: float = 0.2
    air_temperature_c: float | None = None
    wind_speed_mps: float | None = None
    passes: tuple[PassFacts, ...] = ()
    readings: tuple[ReadingFacts, ...] = ()
    pack: PackFacts | None = None
    controller: LimitFacts | None = None
    motor: LimitFacts | None = None
    track_width_m: float | None = None
    wheelbase_m: float | None = None
    single_contact: str = ""
    cg_height_m: float | None = None
    cg_forward_m: float | None = None
