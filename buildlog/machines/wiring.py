"""The electrical chain of a revision: what each part of it carries, drops, stands, and guards.

Plans only. High current and lithium cells burn and kill: a qualified person and the local electrical code decide.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

from buildlog.machines.machine import Machine
from buildlog.machines.models import Fitting
from buildlog.machines.pack import NEEDED, String, strings_of
from buildlog.machines.specifications import FUSE_POINTS
from calc import charging, drivetrain, fuses, pack, wiring

CABLE_C = 70.0
"""A loaded cable is worked out at this temperature of its copper (common practice, no source)."""
AIR_C = 30.0
MOST_DROP = 0.05
"""More of the pack's voltage than this should not stay in the cables (common practice, no source)."""
PVC_C = 70.0
SERIES_TRIED = 24


class Cable(NamedTuple):
    """One cable at the current of its branch."""

    fitting: Fitting
    branch: str
    resistance_ohm: float
    current_a: float | None
    carries_a: float | None
    by_maker: bool
    drop_v: float | None
    lost_w: float | None


class Fuse(NamedTuple):
    """A fuse beside the load and the thinnest cable of its branch."""

    fitting: Fitting
    branch: str
    rated_a: float
    load_a: float | None
    cable_a: float | None
    over_load_a: float | None
    under_cable_a: float | None
    short_circuit_a: float | None
    blows_within_s: float | None
    cable_stands_s: float | None
    overload_margin_a: float | None
    """How far what surely opens it lies below the overload that its cable stands."""

    @property
    def guards_short_circuit(self) -> bool | None:
        if self.blows_within_s is None or self.cable_stands_s is None:
            return None
        return self.blows_within_s <= self.cable_stands_s


class Choice(NamedTuple):
    """One way to wire the modules at hand, and what it leaves to the limits of the controller."""

    series: int
    parallel: int
    full_voltage_v: float
    empty_voltage_v: float
    margin_v: float
    share_below_cut_off: float | None
    current_margin_a: float | None
    fits: bool
    is_today: bool


@dataclass(frozen=True)
class Wiring:
    """What is known of the chain; None where a part or its data lack."""

    machine: Machine

    def _of(self, category: str) -> list[Fitting]:
        return [fitting for fitting in self.machine.fittings if fitting.part.category == category]

    def rating(self, category: str, name: str, pick: Any = min) -> float | None:
        values = [
            fitting.part.specification[name] for fitting in self._of(category) if name in fitting.part.specification
        ]
        return float(pick(values)) if values else None

    @cached_property
    def strings(self) -> list[String]:
        return strings_of(self._of("battery_module"))

    @cached_property
    def pack_resistance_ohm(self) -> float | None:
        ohms = [string.resistance_ohm for string in self.strings]
        known = [ohm for ohm in ohms if ohm]
        return 1.0 / sum(1.0 / ohm for ohm in known) if known and len(known) == len(ohms) else None

    def sum_of(self, category: str, name: str) -> float | None:
        """Of all fitted parts of a category; None where one of them does not say it."""
        known = [
            fitting.part.specification.get(name) for fitting in self._of(category) for _ in range(fitting.quantity)
        ]
        return sum(known) if known and None not in known else None

    @cached_property
    def load_a(self) -> float | None:
        """Continuous current of the controllers together."""
        return self.sum_of("speed_controller", "continuous_current_a")

    @cached_property
    def peak_a(self) -> float | None:
        """Highest battery current of the controllers together."""
        return self.sum_of("speed_controller", "peak_current_a")

    @cached_property
    def charger_a(self) -> float | None:
        return self.rating("charger", "charging_current_a", max)

    @cached_property
    def charger_v(self) -> float | None:
        return self.rating("charger", "output_voltage_v", max)

    def branch_current_a(self, branch: str) -> float | None:
        """Continuous current in a branch; that of the phases is not the battery's, and no data sheet here says it."""
        if branch == Fitting.Branch.CHARGING:
            return self.charger_a
        if branch == Fitting.Branch.PHASE:
            return self.rating("motor", "continuous_current_a", max)
        if branch == Fitting.Branch.STRING:
            return None if self.load_a is None or not self.strings else max(self.string_currents_a(self.load_a))
        return self.load_a

    def string_currents_a(self, current_a: float) -> list[float]:
        """How the strings share a current: by their resistances where all are known, else alike."""
        ohms = [string.resistance_ohm for string in self.strings]
        if all(ohms) and len(ohms) > 1:
            volts = [string.full_voltage_v for string in self.strings]
            return [float(value) for value in wiring.branch_currents_a(current_a, volts, [ohm or 0.0 for ohm in ohms])]
        return [current_a / len(self.strings)] * len(self.strings)

    @cached_property
    def cables(self) -> list[Cable]:
        rows = []
        for fitting in self._of("cable"):
            specification, branch = fitting.part.specification, fitting.branch or Fitting.Branch.MAIN
            section, length = specification.get("section_mm2"), specification.get("length_m")
            if section is None or length is None:
                continue
            current_a = self.branch_current_a(branch)
            ohm = float(wiring.conductor_resistance_ohm(section, length, CABLE_C))
            drop = wiring.voltage_drop(current_a, ohm) if current_a is not None else None
            rows.append(
                Cable(
                    fitting, branch, ohm, current_a, _carries_a(specification), "continuous_current_a" in specification,
                    float(drop.drop_v) if drop else None, float(drop.lost_w) if drop else None,
                )
            )  # fmt: skip
        return rows

    @cached_property
    def loop_resistance_ohm(self) -> float | None:
        """Of cables and connectors between pack and controller; None without a cable."""
        cables = [cable.resistance_ohm for cable in self.cables if cable.branch == Fitting.Branch.MAIN]
        connectors = [
            fitting.part.specification.get("resistance_ohm", 0.0) * fitting.quantity
            for fitting in self._of("connector")
            if (fitting.branch or Fitting.Branch.MAIN) == Fitting.Branch.MAIN
        ]
        return sum(cables) + sum(connectors) if cables else None

    @cached_property
    def short_circuit_a(self) -> float | None:
        """Of the full pack through its own resistance and the cables."""
        if self.machine.pack is None or self.pack_resistance_ohm is None:
            return None
        return self.machine.pack.full_voltage_v / (self.pack_resistance_ohm + (self.loop_resistance_ohm or 0.0))

    @cached_property
    def fuses(self) -> list[Fuse]:
        rows = []
        for fitting in self._of("fuse"):
            branch = fitting.branch or Fitting.Branch.MAIN
            rated_a = fitting.part.specification.get("rated_current_a")
            if rated_a is None:
                continue
            guarded = [cable for cable in self.cables if cable.branch == branch]
            carried = [cable.carries_a for cable in guarded if cable.carries_a is not None]
            cable_a, load_a = min(carried, default=None), self.branch_current_a(branch)
            over = under = blows_s = stands_s = overload_a = None
            if cable_a is not None and load_a is not None:
                margins = fuses.fuse_protection(load_a, rated_a, cable_a)
                over, under = float(margins.over_load_a), float(margins.under_cable_a)
            elif cable_a is not None:
                under = cable_a - rated_a
            elif load_a is not None:
                over = rated_a - load_a
            if self.short_circuit_a is not None and guarded:
                blows_s = _opens_within_s(fitting.part.specification, self.short_circuit_a)
                sections = [cable.fitting.part.specification["section_mm2"] for cable in guarded]
                stands_s = float(wiring.adiabatic_limit_s(min(sections), self.short_circuit_a))
            fusing_a = fuses.fusing_current_a(fitting.part.specification.get("fuse_kind", ""), rated_a)
            if fusing_a is not None and cable_a is not None:
                overload_a = float(fuses.overload_margin_a(fusing_a, cable_a))
            rows.append(
                Fuse(
                    fitting, branch, rated_a, load_a, cable_a, over, under, self.short_circuit_a, blows_s, stands_s,
                    overload_a,
                )
            )  # fmt: skip
        return rows

    @cached_property
    def unguarded(self) -> list[Cable]:
        """Cables on the pack's side without a fuse in their branch, where the chain has cables at all."""
        fused = {fuse.branch for fuse in self.fuses}
        needs = (Fitting.Branch.MAIN, Fitting.Branch.STRING)
        return [cable for cable in self.cables if cable.branch in needs and cable.branch not in fused]

    @cached_property
    def freshly_charged_v(self) -> float | None:
        """The voltage right after charging: of the full pack, or of the charger where that is higher."""
        known = [value for value in (self.machine.pack and self.machine.pack.full_voltage_v, self.charger_v) if value]
        return max(known, default=None) if self.machine.pack is not None else None

    @cached_property
    def regeneration_v(self) -> float | None:
        """Of a full pack while the controller brakes into it."""
        current_a, ohm = self.rating("speed_controller", "regeneration_current_a", max), self.pack_resistance_ohm
        if self.machine.pack is None or current_a is None or ohm is None:
            return None
        return float(wiring.terminal_voltage_v(self.machine.pack.full_voltage_v, ohm, -current_a))

    @cached_property
    def sagged_v(self) -> float | None:
        """At the peak current, at the pack's nominal voltage; an empty and cold pack sags far more."""
        if self.machine.pack is None or self.pack_resistance_ohm is None or self.peak_a is None:
            return None
        ohm = self.pack_resistance_ohm + (self.loop_resistance_ohm or 0.0)
        return float(wiring.terminal_voltage_v(self.machine.pack.nominal_voltage_v, ohm, self.peak_a))

    @cached_property
    def charge(self) -> charging.Charging | None:
        """A charge of the empty pack by its charger."""
        facts, ohm = self.machine.pack, self.pack_resistance_ohm
        if facts is None or not ohm or not self.charger_a:
            return None
        return charging.charge_times(
            facts.capacity_ah, facts.empty_voltage_v, facts.full_voltage_v, ohm, self.charger_a
        )

    @cached_property
    def precharge(self) -> charging.Precharge | None:
        ohm, capacitance = (
            self.rating("precharge", "resistance_ohm", max), self.rating("speed_controller", "capacitance_uf", max)
        )  # fmt: skip
        if not ohm or not capacitance or self.machine.pack is None:
            return None
        return charging.precharge(self.machine.pack.full_voltage_v, ohm, capacitance)

    @cached_property
    def motor_speed_rpm(self) -> float | None:
        """Without load at the full pack's voltage: what a lifted or slipping wheel turns the motor to."""
        constant = self.rating("motor", "motor_constant_rpm_per_v", max)
        if constant is None or self.machine.pack is None:
            return None
        return float(drivetrain.no_load_speed_rpm(constant, self.machine.pack.full_voltage_v))

    @cached_property
    def motor_limit_rpm(self) -> float | None:
        return self.rating("motor", "highest_speed_rpm")

    @cached_property
    def peak_power_w(self) -> float | None:
        """Electrical power at the controllers' peak current on a full pack, with its sag where that is known."""
        if self.peak_a is None or self.machine.pack is None:
            return None
        ohm = (self.pack_resistance_ohm or 0.0) + (self.loop_resistance_ohm or 0.0)
        return self.peak_a * float(wiring.terminal_voltage_v(self.machine.pack.full_voltage_v, ohm, self.peak_a))

    @cached_property
    def continuous_power_w(self) -> float | None:
        """Electrical power at the controllers' continuous current and the pack's nominal voltage."""
        if self.load_a is None or self.machine.pack is None:
            return None
        return self.load_a * self.machine.pack.nominal_voltage_v

    @cached_property
    def choices(self) -> list[Choice]:
        """Ways to wire the modules at hand, all of one kind, against the limits of the controller."""
        modules, limits = self._of("battery_module"), self.machine.limits("speed_controller")
        if len(modules) != 1 or limits is None or limits.highest_voltage_v is None:
            return []
        fitting = modules[0]
        specification = fitting.part.specification
        if any(name not in specification for name in NEEDED):
            return []
        rows = []
        for series in range(1, min(fitting.quantity, SERIES_TRIED) + 1):
            parallel, left = divmod(fitting.quantity, series)
            if left:
                continue
            totals = pack.modules(series, parallel, **{name: specification[name] for name in NEEDED})
            full_v = max(float(totals.full_voltage_v), 0.0)
            margin_v = float(pack.voltage_margin_v(limits.highest_voltage_v, full_v))
            cut_off_v, below = limits.lowest_voltage_v, None
            if cut_off_v is not None:
                span = full_v - float(totals.empty_voltage_v)
                below = min(1.0, max(0.0, (cut_off_v - float(totals.empty_voltage_v)) / span))
            current_a = specification.get("continuous_current_a")
            current_margin = None
            if current_a is not None and limits.continuous_current_a is not None:
                current_margin = current_a * parallel - limits.continuous_current_a
            fits = margin_v > 0 and (below is None or below < 1.0) and (current_margin is None or current_margin >= 0)
            rows.append(
                Choice(
                    series, parallel, full_v, float(totals.empty_voltage_v), margin_v, below, current_margin, fits,
                    series == (fitting.series or 1),
                )
            )  # fmt: skip
        return rows

    @property
    def is_described(self) -> bool:
        """Whether any part of the chain beside modules, controller and motor is fitted."""
        categories = ("fuse", "main_switch", "precharge", "connector", "cable", "charger")
        return any(self._of(category) for category in categories)

    def overloaded(self) -> list[tuple[Fitting, str, float, float]]:
        """Switches and connectors that carry less than their branch, or stand less voltage than the full pack."""
        rows = []
        for category in ("main_switch", "connector", "fuse"):
            for fitting in self._of(category):
                specification = fitting.part.specification
                load_a = self.branch_current_a(fitting.branch or Fitting.Branch.MAIN)
                limit_a, limit_v = specification.get("continuous_current_a"), specification.get("highest_voltage_v")
                if limit_a is not None and load_a is not None and load_a > limit_a:
                    rows.append((fitting, "current", load_a, limit_a))
                full_v = self.freshly_charged_v
                if limit_v is not None and full_v is not None and full_v > limit_v:
                    rows.append((fitting, "voltage", full_v, limit_v))
        return rows


def _opens_within_s(specification: dict[str, Any], current_a: float) -> float | None:
    """By its data sheet, or else by the standard of its kind; None where neither is known."""
    rated_a = specification["rated_current_a"]
    points = [(share * rated_a, specification[name]) for name, share in FUSE_POINTS if name in specification]
    if points:
        return float(fuses.longest_opening_s(current_a, *(list(values) for values in zip(*points, strict=True))))
    return fuses.longest_s(specification.get("fuse_kind", ""), rated_a, current_a)


def _carries_a(specification: dict[str, Any]) -> float | None:
    """By the maker, or else by the standard's table; None for a section that it does not hold."""
    if "continuous_current_a" in specification:
        return float(specification["continuous_current_a"])
    section = specification["section_mm2"]
    if not wiring.AMPACITY_MM2[0] <= section <= wiring.AMPACITY_MM2[-1]:
        return None
    insulation_c = max(PVC_C, specification.get("insulation_temperature_c", PVC_C))
    return float(wiring.ampacity_a(section, AIR_C, insulation_c))
