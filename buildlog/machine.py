"""What the parts fitted to a revision add up to: mass, pack, limits, stability."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from buildlog.models import Fitting, Revision
from calc import pack, stability
from calc.session_facts import LimitFacts, PackFacts

TIPPING = "A rigid machine on even ground. Ruts, edges and a leaning rider tip it well below this."
BATTERY = "Lithium packs can burn. The maker's data and a qualified person decide how it may be built and used."
RIDER_CG_ABOVE_SEAT_M = 0.25
"""Seated rider: centre of mass above the seat (common practice, no source)."""


@dataclass(frozen=True)
class Plate:
    """A number of the build, as the page shows it; like a session's result."""

    key: str
    label: str
    kind: str
    value: float
    method: str
    kernel: str = ""
    caution: str = ""
    improve: str = ""
    u: float | None = None


@dataclass(frozen=True)
class Warning:
    title: str
    sentence: str


class Machine:
    """One revision with its fittings, read once.

    The revision should come from `queries.revisions_with_parts` or an equal prefetch.
    """

    def __init__(self, revision: Revision, fittings: list[Fitting] | None = None) -> None:
        self.revision = revision
        # Fittings may be given, for a machine that is only thought of and stands nowhere yet.
        self.fittings: list[Fitting] = list(revision.fittings.all()) if fittings is None else fittings

    def _of(self, category: str) -> list[Fitting]:
        return [fitting for fitting in self.fittings if fitting.part.category == category]

    @cached_property
    def parts_mass_kg(self) -> float | None:
        """Mass of the fitted parts, or None while the mass of any is not known."""
        masses = [fitting.part.mass_kg for fitting in self.fittings]
        if not masses or None in masses:
            return None
        return sum(fitting.quantity * fitting.part.mass_kg for fitting in self.fittings)

    @cached_property
    def mass_kg(self) -> float | None:
        """Mass without rider: as weighed, or else as the parts add up."""
        return self.revision.mass_without_rider_kg or self.parts_mass_kg

    @cached_property
    def pack(self) -> PackFacts | None:
        """The battery modules as one pack. Modules of different kinds are not added up by guessing."""
        modules = self._of("battery_module")
        if len(modules) != 1:
            return None
        fitting, told = modules[0], modules[0].part.specification
        needed = ("full_voltage_v", "nominal_voltage_v", "empty_voltage_v", "capacity_ah")
        if any(name not in told for name in needed):
            return None
        series, parallel = fitting.series or 1, fitting.parallel or fitting.quantity
        whole = pack.modules(series, parallel, **{name: told[name] for name in needed})
        continuous_a = told.get("continuous_current_a")
        return PackFacts(
            full_voltage_v=whole.full_voltage_v,
            nominal_voltage_v=whole.nominal_voltage_v,
            empty_voltage_v=whole.empty_voltage_v,
            capacity_ah=whole.capacity_ah,
            energy_wh=whole.energy_wh,
            continuous_current_a=None if continuous_a is None else continuous_a * parallel,
            curve=_assumed_curve(whole.empty_voltage_v, whole.full_voltage_v),
        )

    def limits(self, category: str) -> LimitFacts | None:
        """The tightest limits of the fitted controllers or motors."""
        told = [fitting.part.specification for fitting in self._of(category)]
        if not told:
            return None

        def tightest(name: str) -> float | None:
            return min((row[name] for row in told if name in row), default=None)

        return LimitFacts(
            highest_voltage_v=tightest("highest_voltage_v"),
            lowest_voltage_v=max((row["lowest_voltage_v"] for row in told if "lowest_voltage_v" in row), default=None),
            continuous_current_a=tightest("continuous_current_a"),
            highest_temperature_c=tightest("highest_temperature_c"),
        )

    @cached_property
    def centre_of_gravity(self) -> stability.CentreOfGravity | None:
        """Of the parts, without rider, or None while a mass or place is not known."""
        if not self.fittings or any(None in (f.x_m, f.z_m, f.part.mass_kg) for f in self.fittings):
            return None
        masses = [fitting.quantity * fitting.part.mass_kg for fitting in self.fittings]
        if not any(masses):
            return None
        return stability.centre_of_gravity(masses, [f.x_m for f in self.fittings], [f.z_m for f in self.fittings])

    @cached_property
    def cg_height_m(self) -> float | None:
        """Without rider: as measured, or else as the parts add up."""
        if self.revision.cg_height_m is not None:
            return self.revision.cg_height_m
        added_up = self.centre_of_gravity
        # Below the ground it is a slip of the pen, not a height.
        return added_up.z_m if added_up and added_up.z_m > 0 else None

    def with_rider(self, load_kg: float | None) -> stability.CentreOfGravity | None:
        """The machine's centre of gravity with that mass on the seat, as far as is known."""
        if self.mass_kg is None or self.cg_height_m is None or not load_kg:
            return None
        own = self.centre_of_gravity
        forward_m = own.x_m if own else 0.0
        # The seat's place is not recorded; a rider sits above the machine's own centre of gravity.
        rider_z_m = self.cg_height_m + RIDER_CG_ABOVE_SEAT_M
        return stability.centre_of_gravity(
            [self.mass_kg, load_kg], [forward_m, forward_m], [self.cg_height_m, rider_z_m]
        )

    @property
    def single_contact(self) -> str:
        """Where a machine of three contacts has only one: "front", "rear", or "" for others."""
        contacts = self.revision.contacts
        if contacts == Revision.Contacts.ONE_FRONT_TWO_REAR:
            return "front"
        return "rear" if contacts == Revision.Contacts.TWO_FRONT_ONE_REAR else ""

    @cached_property
    def warnings(self) -> list[Warning]:
        found = []
        for category, name in (("speed_controller", "controller"), ("motor", "motor")):
            limits = self.limits(category)
            if self.pack is None or limits is None or limits.highest_voltage_v is None:
                continue
            if self.pack.full_voltage_v > limits.highest_voltage_v:
                found.append(
                    Warning(
                        f"Pack above the {name}'s limit.",
                        f"The full pack has {self.pack.full_voltage_v:g} V; the {name} stands at most "
                        f"{limits.highest_voltage_v:g} V. Check both before the pack is connected: too much voltage "
                        "can destroy the electronics and start a fire.",
                    )
                )
        return found

    @cached_property
    def plates(self) -> list[Plate]:
        rows: list[Plate] = []
        if self.mass_kg is not None:
            how = "As weighed." if self.revision.mass_without_rider_kg else "Sum of the fitted parts."
            rows.append(Plate("mass", "Mass without rider", "mass", self.mass_kg, how))
        if self.pack is not None:
            for key, label, kind, value in (
                ("full_voltage", "Pack, full", "voltage", self.pack.full_voltage_v),
                ("nominal_voltage", "Pack, nominal", "voltage", self.pack.nominal_voltage_v),
                ("capacity", "Pack capacity", "charge", self.pack.capacity_ah),
                ("energy", "Pack energy, nominal", "energy", self.pack.energy_wh),
            ):
                caution = BATTERY if key == "full_voltage" else ""
                rows.append(Plate(key, label, kind, value, "Modules in series and parallel.", "pack.modules", caution))
            for category, name in (("speed_controller", "Controller"), ("motor", "Motor")):
                limits = self.limits(category)
                if limits is not None and limits.highest_voltage_v is not None:
                    margin_v = pack.voltage_margin_v(limits.highest_voltage_v, self.pack.full_voltage_v)
                    how = "Its limit less the full pack; below zero it is over."
                    rows.append(
                        Plate(
                            f"{category}_margin",
                            f"{name} voltage margin",
                            "voltage",
                            margin_v,
                            how,
                            "pack.voltage_margin_v",
                        )
                    )
        if self.centre_of_gravity is not None:
            rows.append(
                Plate(
                    "cg_forward",
                    "Centre of gravity, forward",
                    "length",
                    self.centre_of_gravity.x_m,
                    "Of the parts, from the rear contact, without rider.",
                    "stability.centre_of_gravity",
                )
            )
        if self.cg_height_m is not None:
            how = "As measured, without rider." if self.revision.cg_height_m else "Of the parts, without rider."
            rows.append(
                Plate(
                    "cg_height",
                    "Centre of gravity, height",
                    "length",
                    self.cg_height_m,
                    how,
                    "stability.centre_of_gravity",
                )
            )
        if self.cg_height_m and self.revision.track_width_m:
            factor = stability.static_stability_factor(self.revision.track_width_m, self.cg_height_m)
            rows.append(
                Plate(
                    "stability",
                    "Static stability factor",
                    "ratio",
                    factor,
                    "Without rider; a rider raises the centre of gravity and lowers it.",
                    "stability.static_stability_factor",
                    TIPPING,
                )
            )
        return rows

    @cached_property
    def missing(self) -> list[str]:
        """What a person must still tell for the rest of the numbers."""
        needed = []
        if self.mass_kg is None:
            needed.append("mass: weigh the machine, or give each part's mass")
        if self.pack is None:
            several = len(self._of("battery_module")) > 1
            needed.append(
                "pack: battery modules of one kind only can be added up"
                if several
                else "pack: fit battery modules, with how many in series and parallel"
            )
        if self.limits("speed_controller") is None:
            needed.append("voltage and current margins: fit the speed controller")
        if self.cg_height_m is None:
            needed.append("centre of gravity: give every part's mass and place, or measure its height")
        if self.revision.track_width_m is None:
            needed.append("stability: measure the track width")
        return needed


def _assumed_curve(empty_voltage_v: float, full_voltage_v: float) -> pack.StateOfChargeCurve:
    """The shape of one published cell's rest-voltage curve, stretched between this pack's ends.

    The pages call it assumed, and its uncertainty is one of the measuring assumptions.
    """
    cell = pack.CELL_CURVE
    lowest, highest = cell.voltage_v[0], cell.voltage_v[-1]
    stretch = (full_voltage_v - empty_voltage_v) / (highest - lowest)
    return pack.StateOfChargeCurve(
        cell.state_of_charge, tuple(empty_voltage_v + (volts - lowest) * stretch for volts in cell.voltage_v)
    )
