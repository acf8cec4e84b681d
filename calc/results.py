"""Every result and limit that pages show: of a session, of a build, of a log, and on the phone; each declared once."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from calc.alarms import Alarm
from calc.cautions import (
    BATTERY,
    CLIMBING,
    COLD,
    COME_HOME,
    ICE_SPEED,
    SLIPPING,
    STOPPING,
    TIPPING,
    TOP_SPEED,
    TURNING,
    WIRING,
)
from calc.kinds import KINDS

SESSION, BUILD, LOG, PHONE = "session", "build", "log", "phone"

# Evidence, the best first; pages name that which a value rests on.
OF_CHARGE = ("integrated log", "meter", "rest-voltage curve")
OF_ENERGY = ("integrated log", "meter", "rest-voltage curve", "charge × mean voltage")
OF_SAMPLES = ("log", "readings")


@dataclass(frozen=True)
class Declaration:
    """What is always true of one result: how it is named, measured and warned of, and where it is shown."""

    key: str
    kernels: tuple[str, ...]
    label: str
    kind: str
    group: str
    shown: tuple[str, ...]
    evidence: tuple[str, ...] = ()
    caution: str = ""


_Row = tuple[str, str, str, str, tuple[str, ...], tuple[str, ...], str]


def _declared(group: str, *rows: _Row) -> list[Declaration]:
    return [
        Declaration(key, tuple(kernels.split()), label, kind, group, shown, evidence, caution)
        for key, kernels, label, kind, shown, evidence, caution in rows
    ]


_RESULTS = [
    *_declared(
        "Speed",
        ("average_gate_speed", "speed.gate_speed", "Mean gate speed", "speed", (SESSION,), (), ""),
        ("best_gate_speed", "speed.gate_speed", "Best gate speed", "speed", (SESSION, PHONE), (), ICE_SPEED),
        ("two_way_mean_speed", "speed.two_way_mean", "Two-way mean speed", "speed", (SESSION,), (), ""),
        ("peak_speed", "speed.split_profile", "Peak speed in a gate", "speed", (SESSION,), (), ICE_SPEED),
        ("average_speed", "speed.gate_speed", "Mean speed of the ride", "speed", (SESSION,), (), ""),
        ("stopping_distance", "traction.stopping_distance_m",
         "Stopping distance at the best gate speed", "distance", (SESSION,), (), STOPPING),
        ("gearing_top_speed", "drivetrain.road_speed_mps",
         "Top speed by the gearing, no load", "speed", (BUILD,), (), TOP_SPEED),
    ),
    *_declared(
        "Energy",
        ("energy_used",
         "energy.energy_wh energy.energy_from_meter energy.energy_from_charge recording.electrical_summary",
         "Energy used", "energy", (SESSION, LOG), OF_ENERGY, ""),
        ("energy_returned", "recording.electrical_summary", "Energy regenerated", "energy", (LOG,), ("log",), ""),
        ("returned_share", "recording.electrical_summary", "Share regenerated", "fraction", (LOG,), ("log",), ""),
        ("energy_per_distance", "energy.energy_per_distance",
         "Energy per km", "consumption", (SESSION,), OF_ENERGY, ""),
        ("charge_used", "energy.charge_ah energy.energy_from_meter pack.state_of_charge recording.electrical_summary",
         "Charge used", "charge", (SESSION, LOG), OF_CHARGE, ""),
        ("charge_returned", "recording.electrical_summary", "Charge regenerated", "charge", (LOG,), ("log",), ""),
        ("mean_power", "energy.energy_wh recording.electrical_summary",
         "Mean power", "power", (SESSION, LOG), OF_ENERGY, ""),
        ("peak_power", "energy.energy_wh recording.electrical_summary",
         "Peak power", "power", (SESSION, LOG), OF_SAMPLES, BATTERY),
    ),
    *_declared(
        "Range",
        ("range", "endurance.remaining_range endurance.remaining_range_m",
         "Range of a full pack", "trip", (SESSION, BUILD), (), COME_HOME),
        ("energy_left", "endurance.energy_left_wh",
         "Energy left", "energy", (SESSION, PHONE), ("rest-voltage curve", "energy used"), ""),
        ("remaining_range", "endurance.remaining_range", "Remaining range", "trip", (SESSION, PHONE), (), COME_HOME),
        ("turn_back_distance", "endurance.turn_back_distance",
         "Turn-back distance", "trip", (SESSION, PHONE), (), COME_HOME),
        ("runtime_left", "endurance.runtime_s", "Remaining runtime", "runtime", (SESSION,), (), ""),
    ),
    *_declared(
        "Rider and tipping",
        ("wind_chill", "weather.wind_chill_c", "Wind chill at ride speed", "temperature", (SESSION,), (), COLD),
        ("mass", "stability.centre_of_gravity", "Mass without rider", "mass", (BUILD,), (), ""),
        ("cg_forward", "stability.centre_of_gravity stability.after_changes",
         "Centre of gravity, forward", "length", (BUILD,), (), ""),
        ("cg_height", "stability.centre_of_gravity stability.after_changes",
         "Centre of gravity, height", "length", (BUILD,), (), ""),
        ("cg_height_with_rider", "stability.centre_of_gravity",
         "Centre of gravity with rider, height", "length", (BUILD,), (), ""),
        ("unladen_stability_factor", "stability.static_stability_factor",
         "Static stability factor without rider", "ratio", (BUILD,), (), TIPPING),
        ("static_stability_factor", "stability.static_stability_factor",
         "Static stability factor", "ratio", (SESSION, BUILD), (), TIPPING),
        ("tip_over_threshold", "stability.three_contact_threshold_g",
         "Tip-over threshold, three contacts", "acceleration", (SESSION, BUILD), (), TIPPING),
        ("fastest_turn", "stability.fastest_turn",
         "Fastest turn of 15 m radius before it tips", "speed", (BUILD,), (), TURNING),
        ("climbable_grade", "traction.climbable_grade",
         "Steepest grade that grip allows", "fraction", (BUILD,), (), CLIMBING),
        ("front_load", "stability.contact_loads",
         "Load on the front contacts with rider, as mass", "mass", (BUILD,), (), ""),
        ("rear_load", "stability.contact_loads",
         "Load on the rear contacts with rider, as mass", "mass", (BUILD,), (), ""),
    ),
    *_declared(
        "Battery and limits",
        ("full_voltage", "pack.modules", "Pack, full", "voltage", (BUILD,), (), BATTERY),
        ("nominal_voltage", "pack.modules", "Pack, nominal", "voltage", (BUILD,), (), ""),
        ("capacity", "pack.modules", "Pack capacity", "charge", (BUILD,), (), ""),
        ("energy", "pack.modules", "Pack energy, nominal", "energy", (BUILD,), (), ""),
        ("controller_voltage_margin", "pack.voltage_margin_v",
         "Controller voltage margin", "voltage", (SESSION, BUILD, PHONE), (), BATTERY),
        ("motor_voltage_margin", "pack.voltage_margin_v",
         "Motor voltage margin", "voltage", (SESSION, BUILD, PHONE), (), BATTERY),
        ("controller_cut_off_margin", "pack.voltage_margin_v",
         "Margin to the controller's cut-off", "voltage", (SESSION, BUILD, PHONE), (), ""),
        ("empty_voltage_margin", "pack.voltage_margin_v",
         "Margin to empty voltage", "voltage", (SESSION,), OF_SAMPLES, BATTERY),
        ("c_rate", "pack.c_rate", "Peak C-rate", "ratio", (SESSION, BUILD), OF_SAMPLES, BATTERY),
        ("pack_current_margin", "pack.current_margin_a",
         "Pack current margin", "current", (SESSION, BUILD), (), BATTERY),
        ("controller_current_margin", "pack.current_margin_a",
         "Controller current margin", "current", (SESSION,), (), BATTERY),
        ("motor_current_margin", "pack.current_margin_a", "Motor current margin", "current", (SESSION,), (), BATTERY),
        ("highest_current", "recording.electrical_summary", "Highest current", "current", (LOG,), ("log",), BATTERY),
        ("lowest_voltage", "recording.electrical_summary", "Lowest voltage", "voltage", (LOG,), ("log",), ""),
        ("highest_voltage", "recording.electrical_summary", "Highest voltage", "voltage", (LOG,), ("log",), BATTERY),
        ("voltage_sag", "pack.internal_resistance_ohm", "Voltage sag", "voltage", (SESSION, LOG), OF_SAMPLES, BATTERY),
        ("pack_resistance",
         "pack.internal_resistance pack.resistance_by_regression recording.resistance_under_discharge",
         "Pack resistance", "resistance", (SESSION, LOG), OF_SAMPLES, ""),
    ),
    *_declared(
        "Battery and limits",
        *(
            row
            for name in ("battery", "controller", "motor")
            for row in (
                (f"{name}_hottest", "", f"Hottest {name}", "temperature", (LOG,), ("log",), ""),
                (f"{name}_temperature_margin", "drivetrain.temperature_margin_c",
                 f"{name.capitalize()} temperature margin", "temperature difference",
                 (SESSION, LOG, PHONE), (), BATTERY),
            )
        ),
        ("battery_cold_margin", "drivetrain.temperature_margin_c",
         "Battery margin to its lowest temperature", "temperature difference",
         (SESSION, LOG, PHONE), (), BATTERY),
        ("battery_cold_charging_margin", "drivetrain.temperature_margin_c",
         "Battery margin to its lowest charging temperature", "temperature difference",
         (SESSION,), (), BATTERY),
    ),
    *_declared(
        "Wiring",
        ("cable_voltage_drop", "wiring.voltage_drop wiring.conductor_resistance_ohm",
         "Voltage drop in the cables", "voltage", (BUILD,), (), WIRING),
        ("cable_power_lost", "wiring.voltage_drop", "Heat in the cables", "power", (BUILD,), (), WIRING),
        ("cable_current_margin", "wiring.ampacity_a pack.current_margin_a",
         "Cable current margin", "current", (BUILD,), (), WIRING),
        ("fuse_over_load", "fuses.fuse_protection", "Fuse above its load", "current", (BUILD,), (), WIRING),
        ("fuse_under_cable", "fuses.fuse_protection", "Fuse below its cable", "current", (BUILD,), (), WIRING),
        ("fuse_overload_margin", "fuses.overload_margin_a",
         "Cable's overload above what opens its fuse", "current", (BUILD,), (), WIRING),
        ("short_circuit_margin",
         "wiring.adiabatic_limit_s fuses.longest_opening_s fuses.fuse_longest_s fuses.gg_fuse_longest_s",
         "Time the cable stands a short circuit longer than its fuse", "duration", (BUILD,), (), WIRING),
        ("sag_margin", "wiring.terminal_voltage_v",
         "Margin to the cut-off at the peak", "voltage", (BUILD,), (), WIRING),
        ("regeneration_margin", "wiring.terminal_voltage_v",
         "Margin while braking into a full pack", "voltage", (BUILD,), (), WIRING),
        ("charger_margin", "pack.voltage_margin_v",
         "Full pack above the charger's end", "voltage", (BUILD,), (), WIRING),
        ("charge_time", "charging.charge_times", "Time of a charge", "runtime", (BUILD,), (), WIRING),
        ("precharge_time", "charging.precharge", "Time of the precharge", "duration", (BUILD,), (), WIRING),
        ("motor_speed_margin", "drivetrain.no_load_speed_rpm",
         "Motor speed margin on a full pack", "rotation", (BUILD,), (), WIRING),
        ("fuse_breaking_margin", "pack.current_margin_a",
         "Fuse's breaking capacity above a short circuit", "current", (BUILD,), (), WIRING),
        ("motor_power_margin", "drivetrain.rated_time_s",
         "Motor peak power margin", "power", (BUILD,), (), WIRING),
        ("motor_continuous_margin", "drivetrain.rated_time_s",
         "Motor continuous power margin", "power", (BUILD,), (), WIRING),
        ("motor_peak_time_margin", "drivetrain.rated_time_s",
         "Motor peak time margin", "duration", (BUILD,), (), WIRING),
        ("motor_peak_current_margin", "pack.current_margin_a",
         "Motor peak current margin", "current", (BUILD,), (), WIRING),
    ),
    *_declared(
        "Slip",
        ("slip", "speed.wheel_slip", "Slip, median", "fraction", (LOG,), ("log",), SLIPPING),
        ("slip_high", "speed.wheel_slip", "Slip, highest tenth begins at", "fraction", (LOG,), ("log",), SLIPPING),
    ),
    *_declared(
        "Road load",
        ("rolling_force", "coast_down.fit_coast_downs", "Constant part, in newtons", "ratio", (LOG,), ("log",), ""),
        ("air_factor", "coast_down.fit_coast_downs", "Square part, in N/(m/s)²", "ratio", (LOG,), ("log",), ""),
        ("coast_down_wind", "coast_down.fit_coast_downs", "Mean wind along the way", "speed", (LOG,), ("log",), ""),
        ("rolling_coefficient", "resistance.rolling_coefficient", "Rolling coefficient", "ratio", (LOG,), ("log",), ""),
        ("drag_area", "resistance.drag_area_m2", "Drag area, in m²", "ratio", (LOG,), ("log",), ""),
        ("road_load_top_speed", "road_load.top_speed_mps",
         "Top speed at the motor's continuous power", "speed", (LOG,), ("log",), TOP_SPEED),
        ("road_load_range", "road_load.consumption_wh_per_km",
         "Range at a steady 20 km/h", "trip", (LOG,), ("log",), COME_HOME),
    ),
]  # fmt: skip
RESULTS = {declaration.key: declaration for declaration in _RESULTS}
GROUPS = tuple(dict.fromkeys(declaration.group for declaration in _RESULTS))


@dataclass(frozen=True)
class Result:
    """One value in the stored unit of its kind (see calc.quantities), or what it needs to be worked out.

    `method`, `evidence`, `improve` and `caution` are sentences for this value; a caution of its own stands in the
    place of the declared one.
    """

    key: str
    value: float | None
    u: float | None = None
    method: str = ""
    kernel: str = ""
    evidence: str = ""
    improve: str = ""
    needs: tuple[str, ...] = ()
    own_caution: str = ""
    doubt: str = ""
    """Why it is in doubt, where it rests on a value that is."""
    limit: float | None = None
    """What a margin is counted to; its kind is that of the reading, such as a temperature."""
    reached: float | None = None
    """How far the limit was approached, in the limit's unit."""
    alarm: Alarm | None = None
    """A limit that is passed or nearly reached; pages say it above everything else."""

    @property
    def declaration(self) -> Declaration:
        return RESULTS[self.key]

    @property
    def label(self) -> str:
        return self.declaration.label

    @property
    def kind(self) -> str:
        return self.declaration.kind

    @property
    def caution(self) -> str:
        return "" if self.value is None else self.own_caution or self.declaration.caution

    @property
    def share_of_limit(self) -> float | None:
        """How much of what a limit allows was used: 1 at the limit, above 1 beyond it.

        None where the two bear no ratio: without a limit, and where one of them is not above zero.
        """
        if self.limit is None or self.reached is None or min(self.limit, self.reached) <= 0:
            return None
        return self.limit / self.reached if self.is_limit_lowest else self.reached / self.limit

    @property
    def is_limit_lowest(self) -> bool:
        """Whether the limit is one to stay above: the margin is then what was reached less the limit."""
        if self.value is None or self.limit is None or self.reached is None:
            return False
        return not math.isclose(self.limit - self.reached, self.value)

    @property
    def is_over(self) -> bool:
        return self.alarm is not None and self.alarm.is_over

    @property
    def needs_words(self) -> str:
        return f"needs {', '.join(self.needs)}" if self.needs else ""


def plain(result: Result) -> dict[str, Any]:
    """A result as plain data with its unit, for interfaces; absent texts are left out."""
    data: dict[str, Any] = {"key": result.key, "label": result.label}
    if result.value is None:
        return data | {"value": None, "needs": list(result.needs)}
    data |= {"value": result.value, "unit": KINDS[result.kind].stored, "standard_uncertainty": result.u}
    texts = {name: getattr(result, name) for name in ("method", "kernel", "evidence", "improve", "caution", "doubt")}
    data |= {name: text for name, text in texts.items() if text}
    data |= {name: getattr(result, name) for name in ("limit", "reached") if getattr(result, name) is not None}
    if result.alarm is not None:
        data["alarm"] = result.alarm._asdict()
    return data


def cautions(results: Iterable[Result]) -> list[str]:
    """Each caution once, in the order of the results."""
    return list(dict.fromkeys(result.caution for result in results if result.caution))


def alarms(results: Iterable[Result]) -> list[Alarm]:
    """Limits that are passed or nearly reached, to be shown above everything else."""
    return [result.alarm for result in results if result.alarm is not None]


@dataclass(frozen=True)
class ResultGroup:
    title: str
    cautions: list[str]
    results: list[Result]


def grouped(results: Iterable[Result]) -> list[ResultGroup]:
    """Results with a value under their headings; a caution that several numbers share is shown once for all of them."""
    by_title: dict[str, list[Result]] = {title: [] for title in GROUPS}
    for result in results:
        if result.value is not None:
            by_title[result.declaration.group].append(result)
    return [ResultGroup(title, cautions(rows), rows) for title, rows in by_title.items() if rows]
