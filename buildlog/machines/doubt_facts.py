"""The facts of a build that doubts are about, and those of the machine that sessions are compared with."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from buildlog.machines.machine import Machine
from buildlog.machines.models import Part
from calc.doubts.build_rules import FACTS

ON_REVISION = tuple(fact.name for fact in FACTS)
ON_PARTS = {
    "module_full_voltage_v": ("battery_module", "full_voltage_v"),
    "module_nominal_voltage_v": ("battery_module", "nominal_voltage_v"),
    "module_empty_voltage_v": ("battery_module", "empty_voltage_v"),
    "module_capacity_ah": ("battery_module", "capacity_ah"),
    "module_continuous_current_a": ("battery_module", "continuous_current_a"),
    "module_resistance_ohm": ("battery_module", "resistance_ohm"),
    "motor_constant_rpm_per_v": ("motor", "motor_constant_rpm_per_v"),
    "motor_highest_speed_rpm": ("motor", "highest_speed_rpm"),
    "motor_peak_power_w": ("motor", "peak_power_w"),
    "motor_highest_voltage_v": ("motor", "highest_voltage_v"),
    "controller_highest_voltage_v": ("speed_controller", "highest_voltage_v"),
    "controller_lowest_voltage_v": ("speed_controller", "lowest_voltage_v"),
    "controller_peak_current_a": ("speed_controller", "peak_current_a"),
    "wheel_circumference_m": ("driven_wheel", "rolling_circumference_m"),
}
"""Facts of fitted parts: the category, and the name in the specification."""
MODULE_MASS = "module_mass_kg"
AMPLE = 1.5
"""A peak current that no data sheet states is taken as this many times the continuous one (common practice, no
source)."""


@dataclass(frozen=True)
class MachineFacts:
    """What is known of one revision: of the build itself, and as the surroundings of its sessions."""

    machine: Machine
    build: dict[str, float | None]
    surroundings: dict[str, float | None]

    @property
    def mass_kg(self) -> float | None:
        """Without rider. It may follow from earlier revisions, so it is worked out only where it is asked for."""
        return self.machine.mass_kg


def part_of(machine: Machine, category: str) -> Part | None:
    """The fitted part of a category; None where none is fitted, or several kinds are."""
    kinds = {fitting.part_id: fitting.part for fitting in machine.fittings if fitting.part.category == category}
    return next(iter(kinds.values())) if len(kinds) == 1 else None


def facts_of_machine(machine: Machine) -> MachineFacts:
    """Known facts; None where they are not known."""
    build: dict[str, float | None] = {name: getattr(machine.revision, name) for name in ON_REVISION}
    for name, (category, key) in ON_PARTS.items():
        part = part_of(machine, category)
        build[name] = None if part is None else _number(part.specification.get(key))
    module = part_of(machine, "battery_module")
    wiring = next((fitting for fitting in machine.fittings if fitting.part.category == "battery_module"), None)
    if module is not None and wiring is not None:
        build |= {MODULE_MASS: module.mass_kg or None, "series": wiring.series or 1}
        build["parallel"] = wiring.parallel or wiring.quantity
    weights = [(fitting.part.mass_kg, fitting.quantity) for fitting in machine.fittings]
    build["parts_mass_kg"] = sum(mass * quantity for mass, quantity in weights if mass is not None) or None
    return MachineFacts(machine, build, _surroundings(machine, build))


def _surroundings(machine: Machine, build: dict[str, float | None]) -> dict[str, float | None]:
    pack, controller = machine.pack, machine.limits("speed_controller")
    peak_a = build["controller_peak_current_a"]
    if peak_a is None and controller is not None and controller.continuous_current_a is not None:
        peak_a = AMPLE * controller.continuous_current_a
    limits = [peak_a]
    known: dict[str, float | None] = {}
    if pack is not None:
        known |= {
            "pack_full_voltage_v": pack.full_voltage_v,
            "pack_nominal_voltage_v": pack.nominal_voltage_v,
            "pack_empty_voltage_v": pack.empty_voltage_v,
            "pack_capacity_ah": pack.capacity_ah,
            "pack_energy_wh": pack.energy_wh,
        }
        if pack.continuous_current_a is not None:
            limits.append(2.0 * AMPLE * pack.continuous_current_a)
    known["current_limit_a"] = min((limit for limit in limits if limit is not None), default=None)
    known["controller_highest_voltage_v"] = None if controller is None else controller.highest_voltage_v
    motor = part_of(machine, "motor")
    power_w = build["motor_peak_power_w"]
    if (
        power_w is None
        and motor is not None
        and (continuous_w := _number(motor.specification.get("continuous_power_w")))
    ):
        power_w = 2.0 * continuous_w
    known["motor_peak_power_w"] = power_w
    constant, circumference, ratio = (
        build[name] for name in ("motor_constant_rpm_per_v", "rolling_circumference_m", "drive_ratio")
    )
    if pack is not None and constant and circumference and ratio:
        known["geared_speed_mps"] = constant * pack.full_voltage_v * circumference / (60.0 * ratio)
    return known


def _number(value: Any) -> float | None:
    good = isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
    return float(value) if good else None
