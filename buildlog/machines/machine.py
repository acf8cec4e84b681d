"""A revision worked out from its parts: mass, pack, limits, stability."""

from __future__ import annotations

import math
import uuid
from collections.abc import Iterable, Mapping
from functools import cached_property

from buildlog.machines.balance import Balance, WithRider, up_the_line
from buildlog.machines.contacts import Contact, track_width_m, wheelbase_m
from buildlog.machines.models import Fitting, Revision
from buildlog.machines.pack import pack_of
from buildlog.machines.queries import LINE, read_line
from buildlog.machines.seen_voltages import SeenVoltage
from calc.alarms import Alarm
from calc.session_facts import BuildFacts, LimitFacts, PackFacts
from calc.voltage_margins import Voltage, VoltageMargin, margin_to_cut_off, margin_to_highest

ELECTRONICS = (("speed_controller", "controller"), ("motor", "motor"))


class Machine:
    """One revision with its fittings, read once.

    The revision should come from `queries.read_line`, or its fittings be fetched with it. `seen` holds the highest
    voltage that was measured with each revision of the machine, for pages that compare with it.
    """

    def __init__(
        self,
        revision: Revision,
        fittings: list[Fitting] | None = None,
        seen: Mapping[uuid.UUID, SeenVoltage] | None = None,
    ) -> None:
        self.revision = revision
        self._planned = fittings
        self.seen = seen or {}

    @cached_property
    def fittings(self) -> list[Fitting]:
        """As stored, or as passed for a machine that is only planned."""
        return list(self.revision.fittings.all()) if self._planned is None else self._planned

    @classmethod
    def in_line(cls, revision: Revision, seen: Mapping[uuid.UUID, SeenVoltage] | None = None) -> Machine:
        """The machine of a revision; its vehicle's line of revisions is read unless that was done already."""
        line = getattr(revision.vehicle, LINE, None) or read_line(revision.vehicle)
        stored = next((member for member in line if member.pk == revision.pk), revision)
        return cls(revision, list(stored.fittings.all()), seen)

    def _of(self, category: str) -> list[Fitting]:
        return [fitting for fitting in self.fittings if fitting.part.category == category]

    @cached_property
    def line(self) -> dict[uuid.UUID, Revision]:
        """The machine's revisions with their fittings, by key."""
        vehicle = self.revision.vehicle
        return {revision.pk: revision for revision in getattr(vehicle, LINE, None) or read_line(vehicle)}

    @cached_property
    def balance(self) -> Balance:
        return Balance(self.revision, self.fittings, self.line)

    @property
    def mass_kg(self) -> float | None:
        """Mass without rider: as weighed, or else the sum of the parts."""
        return self.balance.mass.value

    @property
    def cg_height_m(self) -> float | None:
        """Without rider: as measured, or else worked out from the parts."""
        return self.balance.height.value

    def with_rider(self, load_kg: float | None) -> WithRider | None:
        """Machine and a load on the seat; None while mass, height, seat or load is unknown."""
        return self.balance.with_rider(load_kg)

    @cached_property
    def pack(self) -> PackFacts | None:
        """The battery modules as one pack; None without a full specification, or where kinds of modules are mixed."""
        return pack_of(self._of("battery_module"))

    @property
    def pack_needs(self) -> str:
        """What a person must enter for the pack."""
        modules = self._of("battery_module")
        if len(modules) > 1:
            if any(fitting.string is None for fitting in modules):
                return (
                    "battery modules of one kind: several kinds cannot be added up without the number of their string"
                )
            return "strings that may be put in parallel: all full, all empty at the same voltage"
        return "battery modules with their data, and how many are in series and parallel"

    @cached_property
    def highest_voltage(self) -> Voltage | None:
        """The highest known: of the full pack, or measured with this pack on this or the last earlier revision."""
        full = Voltage(self.pack.full_voltage_v, "the full pack", False) if self.pack is not None else None
        if not self.seen:
            return full
        for step in up_the_line(self.revision, self.line):
            if step is not self.revision and _wiring(step.fittings.all()) != _wiring(self.fittings):
                break
            if step.pk in self.seen:
                measured = Voltage(*self.seen[step.pk], True)
                return full if full is not None and full.voltage_v > measured.voltage_v else measured
        return full

    def limits(self, category: str) -> LimitFacts | None:
        """The tightest limits of the fitted controllers or motors."""
        specifications = [fitting.part.specification for fitting in self._of(category)]
        if not specifications:
            return None

        def values(name: str) -> list[float]:
            return [specification[name] for specification in specifications if name in specification]

        return LimitFacts(
            highest_voltage_v=min(values("highest_voltage_v"), default=None),
            lowest_voltage_v=max(values("lowest_voltage_v"), default=None),
            continuous_current_a=min(values("continuous_current_a"), default=None),
            highest_temperature_c=min(values("highest_temperature_c"), default=None),
        )

    @cached_property
    def facts(self) -> BuildFacts:
        """What the results of its sessions need to know of it."""
        return BuildFacts(
            self.pack,
            self.limits("speed_controller"),
            self.limits("motor"),
            self.track_width_m,
            self.wheelbase_m,
            self.single_contact,
        )

    @cached_property
    def contacts(self) -> list[Contact]:
        return self.revision.ground_contacts

    @property
    def track_width_m(self) -> float | None:
        """As typed, or how far its contacts stand apart."""
        own = track_width_m(self.contacts) if self.revision.contact_points else None
        return own or self.revision.track_width_m

    @property
    def wheelbase_m(self) -> float | None:
        own = wheelbase_m(self.contacts) if self.revision.contact_points else None
        return own or self.revision.wheelbase_m

    @property
    def single_contact(self) -> str:
        """The end at which a machine of three contacts has only one: "front", "rear", or "" for others."""
        if self.revision.contact_points:
            return _single_of(self.contacts)
        contacts = self.revision.contacts
        if contacts == Revision.Contacts.ONE_FRONT_TWO_REAR:
            return "front"
        return "rear" if contacts == Revision.Contacts.TWO_FRONT_ONE_REAR else ""

    def voltage_margin(self, category: str) -> VoltageMargin | None:
        """What the highest voltage leaves to the limit of the controllers or motors; None where one is unknown."""
        limits = self.limits(category)
        if limits is None or limits.highest_voltage_v is None:
            return None
        highest = self.highest_voltage
        if highest is None:
            return None
        return margin_to_highest(dict(ELECTRONICS)[category], limits.highest_voltage_v, highest)

    @cached_property
    def cut_off_margin(self) -> VoltageMargin | None:
        """What the full pack has above the controller's cut-off; None where one is unknown."""
        limits = self.limits("speed_controller")
        if limits is None or limits.lowest_voltage_v is None or self.pack is None:
            return None
        return margin_to_cut_off(limits.lowest_voltage_v, Voltage(self.pack.full_voltage_v, "the full pack", False))

    def voltage_alarm(self, category: str) -> Alarm | None:
        """The alarm for the highest voltage against the limit of the controllers or motors, if any."""
        margin = self.voltage_margin(category)
        return None if margin is None else margin.alarm

    @cached_property
    def cut_off_alarm(self) -> Alarm | None:
        """The alarm for a pack whose full voltage is below the controller's cut-off, if so."""
        return None if self.cut_off_margin is None else self.cut_off_margin.alarm

    @cached_property
    def warnings(self) -> list[Alarm]:
        alarms = [*(self.voltage_alarm(category) for category, _ in ELECTRONICS), self.cut_off_alarm]
        return [alarm for alarm in alarms if alarm is not None]


def _single_of(contacts: list[Contact]) -> str:
    """As `single_contact`, of points: the pair must stand square to the single one's axle, as its formula has it."""
    if len(contacts) != 3:
        return ""
    rear, middle, front = sorted(contacts, key=lambda contact: contact.x_m)
    for single, pair, end in ((front, (rear, middle), "front"), (rear, (middle, front), "rear")):
        is_square = math.isclose(pair[0].x_m, pair[1].x_m, abs_tol=1e-6)
        if is_square and math.isclose(pair[0].y_m + pair[1].y_m, 2 * single.y_m, abs_tol=1e-6):
            return end
    return ""


def _wiring(fittings: Iterable[Fitting]) -> list[tuple[uuid.UUID, int]]:
    """The modules of a pack and how many are in series, which determine its voltage."""
    return sorted(
        (fitting.part_id, fitting.series or 1) for fitting in fittings if fitting.part.category == "battery_module"
    )
