"""What is known of the electrical chain as results with their alarms, for pages and interfaces."""

from __future__ import annotations

from typing import Any

import numpy as np

from buildlog.machines.machine import Machine
from buildlog.machines.specifications import FUSE_POINTS
from buildlog.machines.wiring import AIR_C, CABLE_C, Fuse, Wiring
from calc import drivetrain, fuses, pack, wiring
from calc.alarms import PASSED, TOO_LOW, Alarm
from calc.quantities import written
from calc.results import Result


def wiring_results(machine: Machine) -> list[Result]:
    """What is known of the chain as results; those without a value say what they need."""
    return [work(Wiring(machine)) for work in _WORK]


def _drop(chain: Wiring) -> Result:
    value = None
    if chain.load_a is not None and chain.loop_resistance_ohm is not None:
        value = float(wiring.voltage_drop(chain.load_a, chain.loop_resistance_ohm).drop_v)
    return _result(
        "cable_voltage_drop", value, "wiring.voltage_drop",
        "a cable with section and length, and the controller's continuous current",
        f"Cables at {CABLE_C:g} °C and connectors, at the controllers' continuous current.",
    )  # fmt: skip


def _lost(chain: Wiring) -> Result:
    value = None
    if chain.load_a is not None and chain.loop_resistance_ohm is not None:
        value = float(wiring.voltage_drop(chain.load_a, chain.loop_resistance_ohm).lost_w)
    return _result(
        "cable_power_lost", value, "wiring.voltage_drop",
        "a cable with section and length, and the controller's continuous current",
        "Heat in cables and connectors at the controllers' continuous current.",
    )  # fmt: skip


def _cable_margin(chain: Wiring) -> Result:
    margins = [
        (float(pack.current_margin_a(cable.carries_a, cable.current_a)), cable)
        for cable in chain.cables
        if cable.carries_a is not None and cable.current_a is not None
    ]
    value, cable = min(margins, key=lambda row: row[0], default=(None, None))
    how = alarm = None
    if value is not None and cable is not None:
        source = "its maker" if cable.by_maker else f"IEC 60364-5-52, air at {AIR_C:g} °C"
        how = f"{cable.fitting.part.name}: {written(cable.carries_a or 0.0, 'current')} by {source}."
        if value < 0:
            alarm = Alarm(
                PASSED, "A cable carries more than it may.",
                f"{cable.fitting.part.name} may carry {written(cable.carries_a or 0.0, 'current')}; its branch takes "
                f"{written(cable.current_a or 0.0, 'current')}.",
            )  # fmt: skip
    return _result(
        "cable_current_margin", value, "wiring.ampacity_a",
        "a cable with its section, and the current of its branch", how or "", alarm,
    )  # fmt: skip


def _fuse_margin(name: str, key: str, needs: str) -> Any:
    def work(chain: Wiring) -> Result:
        rows = [(getattr(fuse, name), fuse) for fuse in chain.fuses if getattr(fuse, name) is not None]
        value, fuse = min(rows, key=lambda row: row[0], default=(None, None))
        how, alarm = "", None
        if fuse is not None and value is not None:
            load, cable = (
                "unknown" if current is None else written(current, "current") for current in (fuse.load_a, fuse.cable_a)
            )
            how = f"{fuse.fitting.part.name}: load {load}, rated {written(fuse.rated_a, 'current')}, cable {cable}."
            if value < 0 and name == "under_cable_a":
                alarm = Alarm(
                    PASSED, "The cable is under its fuse.",
                    f"The fuse {fuse.fitting.part.name} is rated {written(fuse.rated_a, 'current')}; the thinnest "
                    f"cable behind it carries {cable}. The cable burns before the fuse opens.",
                )  # fmt: skip
            elif value < 0:
                alarm = Alarm(
                    TOO_LOW, "The fuse is smaller than its load.",
                    f"{fuse.fitting.part.name} is rated {written(fuse.rated_a, 'current')}; the load draws {load}. It "
                    "will open while riding.",
                )  # fmt: skip
        return _result(key, value, "fuses.fuse_protection", needs, how, alarm)

    return work


def _short_circuit(chain: Wiring) -> Result:
    rows = [
        (fuse.cable_stands_s - fuse.blows_within_s, fuse)
        for fuse in chain.fuses
        if fuse.cable_stands_s is not None and fuse.blows_within_s is not None and np.isfinite(fuse.blows_within_s)
    ]
    value, fuse = min(rows, key=lambda row: row[0], default=(None, None))
    how = ""
    if fuse is not None and fuse.short_circuit_a is not None:
        how = (
            f"At a short circuit of {written(fuse.short_circuit_a, 'current')} the fuse {fuse.fitting.part.name} opens "
            f"within {written(fuse.blows_within_s or 0.0, 'duration', digits=2)} {_by(fuse)}; the cable stands "
            f"{written(fuse.cable_stands_s or 0.0, 'duration', digits=2)}."
        )
    return _result(
        "short_circuit_margin", value, "wiring.adiabatic_limit_s",
        "a fuse with its kind or points of its data sheet, its cable, and the internal resistance of the modules", how,
    )  # fmt: skip


def _by(fuse: Fuse) -> str:
    """Where the curve of a fuse comes from, in words."""
    specification = fuse.fitting.part.specification
    if any(name in specification for name, _ in FUSE_POINTS):
        return "by its data sheet"
    return "by IEC 60269" if specification.get("fuse_kind") == fuses.GG else "by ISO 8820-3"


def _overload(chain: Wiring) -> Result:
    rows = [(fuse.overload_margin_a, fuse) for fuse in chain.fuses if fuse.overload_margin_a is not None]
    value, fuse = min(rows, key=lambda row: row[0], default=(None, None))
    how, alarm = "", None
    if fuse is not None and value is not None and fuse.cable_a is not None:
        surely_a = fuses.OVERLOADED * fuse.cable_a - value
        overload = f"its cable stands {written(fuses.OVERLOADED * fuse.cable_a, 'current', digits=3)} so long"
        how = f"{fuse.fitting.part.name} surely opens at {written(surely_a, 'current', digits=3)}; {overload}."
        if value < 0 and fuse.under_cable_a is not None and fuse.under_cable_a >= 0:
            alarm = Alarm(PASSED, "An overload heats the cable too far before its fuse opens.", how)
    return _result(
        "fuse_overload_margin", value, "fuses.overload_margin_a",
        "a fuse with its kind, and a cable with its section", how, alarm,
    )  # fmt: skip


def _breaking(chain: Wiring) -> Result:
    rows = [
        (fuse.fitting.part.specification["breaking_capacity_a"] - fuse.short_circuit_a, fuse)
        for fuse in chain.fuses
        if fuse.short_circuit_a is not None and "breaking_capacity_a" in fuse.fitting.part.specification
    ]
    value, fuse = min(rows, key=lambda row: row[0], default=(None, None))
    alarm = None
    if fuse is not None and value is not None and value < 0:
        alarm = Alarm(
            PASSED, "The fuse cannot break a short circuit.",
            f"{fuse.fitting.part.name} breaks at most {value + (fuse.short_circuit_a or 0.0):g} A; a short circuit of "
            f"the full pack draws about {written(fuse.short_circuit_a or 0.0, 'current', digits=2)}. It would go on "
            "burning as an arc.",
        )  # fmt: skip
    return _result(
        "fuse_breaking_margin", value, "pack.current_margin_a",
        "a fuse with its breaking capacity, and the internal resistance of the modules",
        "Its breaking capacity less the short circuit of the full pack.", alarm,
    )  # fmt: skip


def _sag(chain: Wiring) -> Result:
    limits, value, alarm = chain.machine.limits("speed_controller"), None, None
    cut_off = limits.lowest_voltage_v if limits else None
    if chain.sagged_v is not None and cut_off is not None:
        value = chain.sagged_v - cut_off
        if value < 0:
            alarm = Alarm(
                TOO_LOW, "It cuts out at its peak.",
                f"At the peak of {written(chain.peak_a or 0.0, 'current')} the pack sags to "
                f"{written(chain.sagged_v, 'voltage')}; the controller stops at {written(cut_off, 'voltage')}.",
            )  # fmt: skip
    return _result(
        "sag_margin", value, "wiring.terminal_voltage_v",
        "the modules' internal resistance, the controller's peak current and its cut-off",
        "Nominal voltage at the controllers' peak current, less the cut-off; colder and emptier it sags more.", alarm,
    )  # fmt: skip


def _regeneration(chain: Wiring) -> Result:
    limits, value, alarm = chain.machine.limits("speed_controller"), None, None
    highest = limits.highest_voltage_v if limits else None
    if chain.regeneration_v is not None and highest is not None:
        value = highest - chain.regeneration_v
        if value <= 0:
            alarm = Alarm(
                PASSED, "Braking into a full pack passes the controller's limit.",
                f"Regeneration lifts the full pack to {written(chain.regeneration_v, 'voltage')}; the controller "
                f"stands {written(highest, 'voltage')}.",
            )  # fmt: skip
    return _result(
        "regeneration_margin", value, "wiring.terminal_voltage_v",
        "the modules' internal resistance and the controller's regeneration current",
        "The controller's limit less the voltage of the full pack while it brakes into it.", alarm,
    )  # fmt: skip


def _charger(chain: Wiring) -> Result:
    value, alarm = None, None
    if chain.charger_v is not None and chain.machine.pack is not None:
        full_v = chain.machine.pack.full_voltage_v
        value = round(full_v - chain.charger_v, 9)
        if value < 0:
            alarm = Alarm(
                PASSED, "The charger charges too high.",
                f"It ends at {written(chain.charger_v, 'voltage')}; the full pack has {written(full_v, 'voltage')}. "
                "Lithium cells that are charged too far can burn: do not charge with it.",
            )  # fmt: skip
    return _result(
        "charger_margin", value, "pack.voltage_margin_v", "a charger, and a pack",
        "The pack's full voltage less the voltage at which the charger ends.", alarm,
    )  # fmt: skip


def _charge_time(chain: Wiring) -> Result:
    value = chain.charge.total_s if chain.charge is not None else None
    return _result(
        "charge_time", value, "charging.charge_times",
        "a charger with its current, and the internal resistance of the modules",
        "From empty, at constant current and then at constant voltage to a tenth of it.",
    )  # fmt: skip


def _precharge_time(chain: Wiring) -> Result:
    value = float(chain.precharge.time_s) if chain.precharge is not None else None
    how = ""
    if chain.precharge is not None:
        how = f"To 95 % of the full pack; the resistor takes {float(chain.precharge.energy_j):.2g} J each time."
    return _result(
        "precharge_time",
        value,
        "charging.precharge",
        "a precharge resistor and the controller's input capacitance",
        how,
    )


def _motor_speed(chain: Wiring) -> Result:
    value, alarm, turns, limit = None, None, chain.motor_speed_rpm, chain.motor_limit_rpm
    if turns is not None and limit is not None:
        value = limit - turns
        if value < 0:
            alarm = Alarm(
                PASSED, "The motor can turn faster than it may.",
                f"Without load on the full pack it turns at {written(turns, 'rotation', digits=3)}; its limit is "
                f"{written(limit, 'rotation', digits=3)}. A wheel that lifts or slips takes the load away.",
            )  # fmt: skip
    return _result(
        "motor_speed_margin", value, "drivetrain.no_load_speed_rpm",
        "the motor's speed constant Kv and highest speed, and a pack",
        "Its highest speed less that without load on the full pack.", alarm,
    )  # fmt: skip


def _motor_power(chain: Wiring) -> Result:
    peak_w, value, how, alarm = chain.sum_of("motor", "peak_power_w"), None, "", None
    if chain.peak_power_w is not None and peak_w is not None:
        value = peak_w - chain.peak_power_w
        longest_s = chain.rating("motor", "peak_time_s")
        how = "Its peak power less what the controllers' peak current brings on a full pack."
        if longest_s is not None:
            how += f" It stands its peak for {written(longest_s, 'duration', digits=2)}."
        if value < 0:
            alarm = Alarm(
                PASSED, "The motor gets more than its peak power.",
                f"The controllers' peak brings {written(chain.peak_power_w, 'power', digits=2)} on a full pack; the "
                f"motor stands {written(peak_w, 'power', digits=2)} for a short time.",
            )  # fmt: skip
    return _result(
        "motor_power_margin", value, "drivetrain.rated_time_s",
        "the motor's peak power, the controller's peak current, and a pack", how, alarm,
    )  # fmt: skip


def _motor_continuous(chain: Wiring) -> Result:
    """The controller may hold its continuous current for ever; what is above the motor's rating has a time."""
    rated_w, load_w, value, alarm = chain.sum_of("motor", "continuous_power_w"), chain.continuous_power_w, None, None
    if rated_w is not None and load_w is not None:
        value = rated_w - load_w
        if value < 0:
            alarm = Alarm(
                PASSED, "The controller can hold more than the motor stands for long.",
                f"The controllers' continuous current brings {written(load_w, 'power', digits=2)}; the motor stands "
                f"{written(rated_w, 'power', digits=2)} continuously and this load "
                f"{_rated_time(chain, load_w, rated_w)}.",
            )  # fmt: skip
    return _result(
        "motor_continuous_margin", value, "drivetrain.rated_time_s",
        "the motor's continuous power, the controller's continuous current, and a pack",
        "Its continuous power less what the controllers' continuous current brings at the nominal voltage.", alarm,
    )  # fmt: skip


def _rated_time(chain: Wiring, load_w: float, rated_w: float) -> str:
    peak_w, longest_s = chain.sum_of("motor", "peak_power_w"), chain.rating("motor", "peak_time_s")
    if peak_w is None or longest_s is None:
        return "for a time that is not known"
    time_s = float(drivetrain.rated_time_s(load_w, rated_w, peak_w, longest_s))
    return f"for {written(time_s, 'duration', digits=2)}" if time_s else "not at all"


def _motor_peak_time(chain: Wiring) -> Result:
    """Compared only where the controllers' peak is above the motor's continuous rating."""
    motor_s, controller_s = chain.rating("motor", "peak_time_s"), chain.rating("speed_controller", "peak_time_s", max)
    rated_w, value, alarm = chain.sum_of("motor", "continuous_power_w"), None, None
    is_within = rated_w is not None and chain.peak_power_w is not None and chain.peak_power_w <= rated_w
    if motor_s is not None and controller_s is not None and not is_within:
        value = motor_s - controller_s
        if value < 0:
            alarm = Alarm(
                PASSED, "The controller holds its peak longer than the motor stands it.",
                f"The controller holds its peak for {written(controller_s, 'duration', digits=2)}, the motor stands "
                f"its own for {written(motor_s, 'duration', digits=2)}.",
            )  # fmt: skip
    return _result(
        "motor_peak_time_margin", value, "drivetrain.rated_time_s",
        "the longest time at peak of motor and controller, where that peak is above the motor's continuous power",
        "The motor's longest time at peak less the controller's.", alarm,
    )  # fmt: skip


def _motor_current(chain: Wiring) -> Result:
    """Phase current: by the controller's limit, or at least its battery current, which is the lower of the two."""
    motor_a, value, how, alarm = chain.sum_of("motor", "peak_current_a"), None, "", None
    phase_a = chain.sum_of("speed_controller", "phase_current_a")
    current_a = phase_a if phase_a is not None else chain.peak_a
    if motor_a is not None and current_a is not None:
        value = motor_a - current_a
        longest_s = chain.rating("motor", "peak_time_s")
        which = "highest phase current" if phase_a is not None else "peak battery current; in the phases it is higher"
        how = f"Its peak current less the controllers' {which}."
        if longest_s is not None:
            how += f" It stands its peak for {written(longest_s, 'duration', digits=2)}."
        if value < 0:
            least = "" if phase_a is not None else "at least "
            alarm = Alarm(
                PASSED, "The motor gets more than its peak current.",
                f"The controllers drive {least}{written(current_a, 'current')} through the motor; it stands "
                f"{written(motor_a, 'current')} for a short time.",
            )  # fmt: skip
    return _result(
        "motor_peak_current_margin", value, "pack.current_margin_a",
        "the motor's peak current, and the controller's highest phase current or peak current", how, alarm,
    )  # fmt: skip


def _result(
    key: str, value: float | None, kernel: str, needs: str, method: str = "", alarm: Alarm | None = None
) -> Result:
    if value is None:
        return Result(key, None, needs=(needs,))
    return Result(key, float(value), method=method, kernel=kernel, alarm=alarm)


_WORK: tuple[Any, ...] = (
    _drop, _lost, _cable_margin,
    _fuse_margin("over_load_a", "fuse_over_load", "a fuse, and the controller's continuous current"),
    _fuse_margin("under_cable_a", "fuse_under_cable", "a fuse, and a cable with its section"),
    _overload, _short_circuit, _breaking, _sag, _regeneration, _charger, _charge_time, _precharge_time, _motor_speed,
    _motor_power, _motor_continuous, _motor_peak_time, _motor_current,
)  # fmt: skip
