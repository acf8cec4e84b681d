"""Mass and centre of gravity of a machine: by its parts, as measured, and as measured before its parts changed."""

from __future__ import annotations

import uuid
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

from buildlog.machines.models import Fitting, Part, Revision
from calc import stability
from calc.quantities import written

RIDER_CG_ABOVE_SEAT_M = 0.25
"""Seated rider: centre of mass above the seat (common practice, no source)."""

SEAT = "the seat's place, forward and height"
RIDER = "the rider's mass"


@dataclass(frozen=True)
class Figure:
    """One figure of the balance: its value and where it comes from, or what it needs."""

    value: float | None
    how: str = ""
    needs: str = ""
    measured_on: Revision | None = None


class WithRider(NamedTuple):
    """Machine and rider together; how far forward may not be known where the height is."""

    mass_kg: float
    x_m: float | None
    z_m: float


class _Change(NamedTuple):
    """So many of a part more (or fewer, below zero) at a height, which may not be known."""

    part: Part
    quantity: int
    z_m: float | None


class Balance:
    """Mass, height and place of the centre of gravity without rider, and with one.

    `line` holds the revisions of the machine with their fittings, by key: what was measured on one of them holds for
    those after it, moved by what their changed parts do.
    """

    def __init__(self, revision: Revision, fittings: list[Fitting], line: Mapping[uuid.UUID, Revision]) -> None:
        self.revision, self.fittings, self.line = revision, fittings, line

    @cached_property
    def parts_mass_kg(self) -> float | None:
        """Mass of the fitted parts, or None while the mass of any is not known."""
        masses_kg = [
            fitting.quantity * fitting.part.mass_kg for fitting in self.fittings if fitting.part.mass_kg is not None
        ]
        return sum(masses_kg) if masses_kg and len(masses_kg) == len(self.fittings) else None

    @cached_property
    def mass(self) -> Figure:
        source = measured_on(self.revision, "mass_without_rider_kg", self.line)
        weighed_kg = source.mass_without_rider_kg if source is not None else None
        if source is None or weighed_kg is None:
            if self.parts_mass_kg is None:
                return Figure(None, needs="the machine weighed, or every part's mass")
            return Figure(self.parts_mass_kg, "Sum of the fitted parts.")
        if source is self.revision:
            return Figure(weighed_kg, "As weighed.", measured_on=source)
        more = Counter[Part]()
        for change in self._changes_since(source):
            more[change.part] += change.quantity
        more_kg: list[float] = []
        for part, quantity in more.items():
            if quantity and part.mass_kg is None:
                return Figure(None, needs=f"the mass of {part.name}, changed since {source.label} was weighed")
            if quantity and part.mass_kg is not None:
                more_kg.append(quantity * part.mass_kg)
        mass_kg = weighed_kg + sum(more_kg)
        if mass_kg <= 0:
            return Figure(None, needs=f"masses that agree: more was taken off than {source.label} weighed")
        moved = any(more.values())
        return Figure(mass_kg, self._since(source, "weighed", weighed_kg, "mass", moved), measured_on=source)

    @cached_property
    def height(self) -> Figure:
        measured = self._measured_height
        if measured is not None and measured.value is not None:
            return measured
        by_parts = self._of_parts
        # Below the ground it is a slip of the pen, not a height.
        if isinstance(by_parts, stability.CentreOfGravity) and by_parts.z_m > 0:
            return Figure(by_parts.z_m, "Of the parts, without rider.")
        if measured is not None:
            return measured
        needs = by_parts if isinstance(by_parts, str) else "heights of the parts above ground"
        return Figure(None, needs=f"the height of its centre of gravity ({needs})")

    @cached_property
    def forward(self) -> Figure:
        by_parts = self._of_parts
        if isinstance(by_parts, stability.CentreOfGravity):
            return Figure(by_parts.x_m, "Of the parts, from the rear contact, without rider.")
        return Figure(None, needs=f"the place of its centre of gravity ({by_parts})")

    def with_rider(self, load_kg: float | None) -> WithRider | None:
        """Machine and that mass on the seat, as far as is known."""
        mass_kg, height_m = self.mass.value, self.height.value
        seat_x_m, seat_z_m = self.revision.seat_x_m, self.revision.seat_z_m
        if mass_kg is None or height_m is None or seat_x_m is None or seat_z_m is None or not load_kg:
            return None
        both = stability.centre_of_gravity(
            [mass_kg, load_kg], [self.forward.value or 0.0, seat_x_m], [height_m, seat_z_m + RIDER_CG_ABOVE_SEAT_M]
        )
        return WithRider(both.mass_kg, None if self.forward.value is None else both.x_m, both.z_m)

    def needs_for_rider_height(self, load_kg: float | None) -> str:
        """What lacks for the height of the centre of gravity with rider, or nothing."""
        for figure in (self.mass, self.height):
            if figure.value is None:
                return figure.needs
        if self.revision.seat_x_m is None or self.revision.seat_z_m is None:
            return SEAT
        return "" if load_kg else RIDER

    def needs_for_rider(self, load_kg: float | None) -> str:
        """What lacks for height or place of the centre of gravity with rider, or nothing."""
        return self.needs_for_rider_height(load_kg) or self.forward.needs

    @cached_property
    def _of_parts(self) -> stability.CentreOfGravity | str:
        """Centre of gravity of the placed parts, where they speak for the whole machine; else what that needs."""
        placed = [
            (fitting.quantity * fitting.part.mass_kg, fitting.x_m, fitting.z_m)
            for fitting in self.fittings
            if fitting.x_m is not None and fitting.z_m is not None and fitting.part.mass_kg is not None
        ]
        placed_kg = sum(mass_kg for mass_kg, _, _ in placed)
        whole_kg = self.mass.value
        if self.mass.measured_on is not None and whole_kg is not None:
            off_kg = placed_kg - whole_kg
            if abs(off_kg) > stability.PLACED_WITHIN * whole_kg * (1 + 1e-9):
                placed_text, whole_text = written(placed_kg, "mass", digits=3), written(whole_kg, "mass", digits=3)
                if off_kg > 0:
                    return f"masses that agree: {placed_text} are placed, and {whole_text} were weighed"
                return f"the places of the other parts: {placed_text.removesuffix(' kg')} of {whole_text} are placed"
        elif whole_kg is None and measured_on(self.revision, "mass_without_rider_kg", self.line) is not None:
            return self.mass.needs
        elif not placed or len(placed) < len(self.fittings) or not placed_kg:
            return "every part's mass and place"
        return stability.centre_of_gravity(*map(list, zip(*placed, strict=True)))

    @cached_property
    def _measured_height(self) -> Figure | None:
        source = measured_on(self.revision, "cg_height_m", self.line)
        height_m = source.cg_height_m if source is not None else None
        if source is None or height_m is None:
            return None
        if source is self.revision:
            return Figure(height_m, "As measured, without rider.", measured_on=source)
        changes = self._changes_since(source)
        how = self._since(source, "measured", height_m, "length", bool(changes))
        if not changes:
            return Figure(height_m, how, measured_on=source)
        changes_kg: list[float] = []
        changes_z_m: list[float] = []
        for change in changes:
            if change.part.mass_kg is None or change.z_m is None:
                lacks = "mass" if change.part.mass_kg is None else "height above ground"
                return Figure(
                    None, needs=f"the {lacks} of {change.part.name}, changed since {source.label} was measured"
                )
            changes_kg.append(change.quantity * change.part.mass_kg)
            changes_z_m.append(change.z_m)
        before = Balance(source, list(source.fittings.all()), self.line).mass
        if before.value is None:
            return Figure(None, needs=f"the mass of {source.label}, on which the height was measured")
        try:
            moved = stability.after_changes(before.value, height_m, changes_kg, changes_z_m)
        except ValueError:
            return Figure(None, needs=f"masses that agree: more was taken off than {source.label} had")
        if moved.cg_height_m <= 0:
            return Figure(None, needs="heights that agree: the centre of gravity comes out below the ground")
        return Figure(moved.cg_height_m, how, measured_on=source)

    def _since(self, source: Revision, verb: str, value: float, kind: str, moved: bool) -> str:
        changed = ", moved by the parts changed since" if moved else "; the same parts since"
        return f"As {verb} on {source.label}, {written(value, kind, digits=3)}{changed}."

    def _changes_since(self, source: Revision) -> list[_Change]:
        """Which parts came, went or moved up or down since a revision; a height that was only written down later
        is no move."""
        counted = Counter[tuple[uuid.UUID, float | None]]()
        parts: dict[uuid.UUID, Part] = {}
        for fittings, sign in ((list(source.fittings.all()), -1), (self.fittings, 1)):
            for fitting in fittings:
                parts[fitting.part_id] = fitting.part
                # To the micrometre: a length typed in inches comes back a little off.
                height_m = None if fitting.z_m is None else round(fitting.z_m, 6)
                counted[fitting.part_id, height_m] += sign * fitting.quantity
        for part_id, height_m in list(counted):
            if height_m is not None:
                unplaced, placed = counted[part_id, None], counted[part_id, height_m]
                if unplaced * placed < 0:
                    same = min(abs(unplaced), abs(placed))
                    counted[part_id, None] += same if unplaced < 0 else -same
                    counted[part_id, height_m] += same if placed < 0 else -same
        return [_Change(parts[part_id], count, height_m) for (part_id, height_m), count in counted.items() if count]


def measured_on(revision: Revision, name: str, line: Mapping[uuid.UUID, Revision]) -> Revision | None:
    """The revision on which a value was measured: this one, or the nearest before it that has one.

    A value equal to the parent's was carried over from it, as new revisions once were filled in, and not measured
    again.
    """
    source: Revision | None = None
    for step in up_the_line(revision, line):
        value = getattr(step, name)
        if source is not None and value != getattr(source, name):
            return source
        if value is not None:
            source = step
    return source


def up_the_line(revision: Revision, line: Mapping[uuid.UUID, Revision]) -> Iterator[Revision]:
    """A revision, its parent, and so on to the first."""
    step: Revision | None = revision
    walked: set[uuid.UUID] = set()
    while step is not None and step.pk not in walked:
        yield step
        walked.add(step.pk)
        step = line.get(step.parent_id) if step.parent_id else None
