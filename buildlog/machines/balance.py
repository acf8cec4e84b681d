"""Mass and centre of gravity of a machine: from its parts, as measured, or as measured before its parts changed."""

from __future__ import annotations

import uuid
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np

from buildlog.machines.models import Fitting, Part, Revision
from calc import stability
from calc.quantities import written
from calc.support_polygon import height_by_tilting, tip_over_edges

RIDER_CG_ABOVE_SEAT_M = 0.25
"""Seated rider: centre of mass above the seat (common practice, no source)."""

WEIGHING, TILT = "weighing", "tilt"
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
    """Machine and rider together; `x_m` may be unknown where `z_m` is known."""

    mass_kg: float
    x_m: float | None
    z_m: float
    y_m: float = 0.0


class _Change(NamedTuple):
    """A change in the quantity of a part (negative for removed) at a place on one axis, which may be unknown."""

    part: Part
    quantity: int
    place_m: float | None


class _Measured(NamedTuple):
    """What was measured on a revision, typed or by a test, and how a sentence says that."""

    on: Revision
    value: float
    verb: str


_PLACES = {"x_m": "place", "y_m": "place", "z_m": "height above ground"}


class Balance:
    """Mass, height and place of the centre of gravity, without and with rider.

    `line` holds the revisions of the machine with their fittings, by key: what was measured on one of them holds for
    those after it, corrected for the parts that changed.
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
        weighed = self._nearest("mass_without_rider_kg", WEIGHING, _weighed_mass)
        if weighed is None:
            if self.parts_mass_kg is None:
                return Figure(None, needs="the machine weighed, or every part's mass")
            return Figure(self.parts_mass_kg, "Sum of the fitted parts.")
        source, weighed_kg = weighed.on, weighed.value
        if source.pk == self.revision.pk:
            return Figure(weighed_kg, "As weighed.", measured_on=source)
        more = Counter[Part]()
        for change in self._changes_since(source, "z_m"):
            more[change.part] += change.quantity
        more_kg: list[float] = []
        for part, quantity in more.items():
            if quantity and part.mass_kg is None:
                return Figure(None, needs=f"the mass of {part.name}, changed since {source.label} was weighed")
            if quantity and part.mass_kg is not None:
                more_kg.append(quantity * part.mass_kg)
        mass_kg = weighed_kg + sum(more_kg)
        if mass_kg <= 0:
            return Figure(None, needs=f"masses that agree: the removed parts weigh more than {source.label}")
        moved = any(more.values())
        return Figure(mass_kg, self._since(source, "weighed", weighed_kg, "mass", moved), measured_on=source)

    @cached_property
    def height(self) -> Figure:
        measured = self._measured_height
        if measured is not None and measured.value is not None:
            return measured
        by_parts = self._of_parts
        # A height below the ground comes from a typing error.
        if isinstance(by_parts, stability.CentreOfGravity) and by_parts.z_m > 0:
            return Figure(by_parts.z_m, f"Of the parts, without rider. {self.unplaced_words}".rstrip())
        if measured is not None:
            return measured
        needs = by_parts if isinstance(by_parts, str) else "heights of the parts above ground"
        return Figure(None, needs=f"the height of its centre of gravity ({needs})")

    @cached_property
    def forward(self) -> Figure:
        weighed = self._weighed("x_m")
        if weighed is not None and weighed.value is not None:
            return weighed
        by_parts = self._of_parts
        if weighed is not None and not isinstance(by_parts, stability.CentreOfGravity):
            return weighed
        if isinstance(by_parts, stability.CentreOfGravity):
            how = f"Of the parts, from the rear contact, without rider. {self.unplaced_words}".rstrip()
            return Figure(by_parts.x_m, how)
        return Figure(None, needs=f"the place of its centre of gravity ({by_parts})")

    @cached_property
    def sideways(self) -> Figure:
        """Left of the middle line; a part whose place to the side was not recorded counts as on that line."""
        weighed = self._weighed("y_m")
        if weighed is not None and weighed.value is not None:
            return weighed
        if not isinstance(self._of_parts, stability.CentreOfGravity):
            return Figure(None, needs=self.forward.needs)
        placed = [
            (fitting.quantity * (fitting.part.mass_kg or 0.0), fitting.y_m or 0.0)
            for fitting in self.fittings
            if fitting.x_m is not None and fitting.z_m is not None
        ]
        total_kg = sum(mass_kg for mass_kg, _ in placed)
        middle = all(fitting.y_m is None for fitting in self.fittings)
        how = "Taken as the middle line: no part has a place to the side." if middle else "Of the parts, without rider."
        return Figure(sum(mass_kg * y_m for mass_kg, y_m in placed) / total_kg, how)

    def with_rider(self, load_kg: float | None) -> WithRider | None:
        """Machine and a load on the seat; None while mass, height, seat or load is unknown."""
        mass_kg, height_m = self.mass.value, self.height.value
        seat_x_m, seat_z_m = self.revision.seat_x_m, self.revision.seat_z_m
        if mass_kg is None or height_m is None or seat_x_m is None or seat_z_m is None or not load_kg:
            return None
        both = stability.centre_of_gravity(
            [mass_kg, load_kg], [self.forward.value or 0.0, seat_x_m], [height_m, seat_z_m + RIDER_CG_ABOVE_SEAT_M]
        )
        y_m = (self.sideways.value or 0.0) * mass_kg / both.mass_kg
        return WithRider(both.mass_kg, None if self.forward.value is None else both.x_m, both.z_m, y_m)

    def needs_for_rider_height(self, load_kg: float | None) -> str:
        """What is missing for the height of the centre of gravity with rider, or ""."""
        for figure in (self.mass, self.height):
            if figure.value is None:
                return figure.needs
        if self.revision.seat_x_m is None or self.revision.seat_z_m is None:
            return SEAT
        return "" if load_kg else RIDER

    def needs_for_rider(self, load_kg: float | None) -> str:
        """What is missing for height or place of the centre of gravity with rider, or ""."""
        return self.needs_for_rider_height(load_kg) or self.forward.needs

    @cached_property
    def _of_parts(self) -> stability.CentreOfGravity | str:
        """Centre of gravity of the placed parts if they make up the whole machine; else what is missing for that."""
        placed = [
            (fitting.quantity * fitting.part.mass_kg, fitting.x_m, fitting.z_m)
            for fitting in self.fittings
            if fitting.x_m is not None and fitting.z_m is not None and fitting.part.mass_kg is not None
        ]
        placed_kg = sum(mass_kg for mass_kg, _, _ in placed)
        whole_kg = self.mass.value
        if whole_kg is None and self._nearest("mass_without_rider_kg", WEIGHING, _weighed_mass) is not None:
            return self.mass.needs
        if whole_kg is None or (not placed_kg and self.mass.measured_on is None):
            return "every part's mass and place"
        excess_kg = placed_kg - whole_kg
        if abs(excess_kg) > stability.PLACED_WITHIN * whole_kg * (1 + 1e-9):
            placed_text, whole_text = written(placed_kg, "mass", digits=3), written(whole_kg, "mass", digits=3)
            if excess_kg > 0:
                return f"masses that agree: {placed_text} are placed, and {whole_text} were weighed"
            return f"the places of the other parts: {placed_text.removesuffix(' kg')} of {whole_text} are placed"
        return stability.centre_of_gravity(*map(list, zip(*placed, strict=True)))

    @cached_property
    def unplaced_kg(self) -> float:
        """What the placed parts lack of the whole mass, negative where they weigh more than what was weighed."""
        if self.mass.value is None or not isinstance(self._of_parts, stability.CentreOfGravity):
            return 0.0
        lacking_kg = self.mass.value - self._of_parts.mass_kg
        return 0.0 if abs(lacking_kg) < 1e-6 * self.mass.value else lacking_kg

    @property
    def unplaced_words(self) -> str:
        """What is not known of the places of light parts, and how that counts, or ""."""
        mass = written(abs(self.unplaced_kg), "mass", digits=2)
        if self.unplaced_kg < 0:
            return f"Its placed parts weigh {mass} more than what was weighed: ± has that anywhere on the machine."
        return f"{mass} of it has no place: ± has that anywhere on the machine." if self.unplaced_kg else ""

    @cached_property
    def _measured_height(self) -> Figure | None:
        measured = self._nearest("cg_height_m", TILT, _tilted_height)
        if measured is None:
            return None
        source, height_m = measured.on, measured.value
        if source.pk == self.revision.pk:
            how = "By a tilt test, without rider." if measured.verb == "tilted" else "As measured, without rider."
            return Figure(height_m, how, measured_on=source)
        changes = self._changes_since(source, "z_m")
        how = self._since(source, "measured", height_m, "length", bool(changes))
        if not changes:
            return Figure(height_m, how, measured_on=source)
        moments = self._moments(source, changes, "z_m")
        if isinstance(moments, str):
            return Figure(None, needs=moments)
        before_kg, changes_kg, changes_z_m = moments
        try:
            moved = stability.after_changes(before_kg, height_m, changes_kg, changes_z_m)
        except ValueError:
            return Figure(None, needs=f"masses that agree: the removed parts weigh more than {source.label}")
        if moved.cg_height_m <= 0:
            return Figure(None, needs="heights that agree: the centre of gravity comes out below the ground")
        return Figure(moved.cg_height_m, how, measured_on=source)

    def _weighed(self, axis: str) -> Figure | None:
        """Place on one axis by the nearest weighing of the contacts, moved by the parts that changed since."""
        for step in up_the_line(self.revision, self.line):
            test = self._test(step, WEIGHING)
            value = _weighed_place(step, test, axis) if test is not None else None
            if value is None:
                continue
            if step.pk == self.revision.pk:
                return Figure(value, "By weighing each contact, without rider.", measured_on=step)
            changes = self._changes_since(step, axis)
            how = self._since(step, "weighed", value, "length", bool(changes))
            if not changes:
                return Figure(value, how, measured_on=step)
            moments = self._moments(step, changes, axis)
            if isinstance(moments, str):
                return Figure(None, needs=moments)
            before_kg, changes_kg, places_m = moments
            left_kg = before_kg + sum(changes_kg)
            if left_kg <= 0:
                return Figure(None, needs=f"masses that agree: the removed parts weigh more than {step.label}")
            moment = before_kg * value + sum(
                mass_kg * place_m for mass_kg, place_m in zip(changes_kg, places_m, strict=True)
            )
            return Figure(moment / left_kg, how, measured_on=step)
        return None

    def _nearest(self, name: str, kind: str, by_test: Callable[[Balance, Any], float | None]) -> _Measured | None:
        """The nearest revision up the line on which a value was typed as measured, or found by a test.

        On the same revision the test counts: it says how it was measured.
        """
        typed = measured_on(self.revision, name, self.line)
        for step in up_the_line(self.revision, self.line):
            test = self._test(step, kind)
            value = by_test(self if step.pk == self.revision.pk else self._before(step), test) if test else None
            if value is not None:
                return _Measured(step, value, "tilted" if kind == TILT else "weighed")
            if typed is not None and step.pk == typed.pk:
                return _Measured(typed, getattr(typed, name), "measured")
        return None

    def _test(self, step: Revision, kind: str) -> Any:
        """The newest balance test of a kind on a stored revision."""
        stored = self.line.get(step.pk)
        tests = stored.balance_tests.all() if stored is not None else []
        return next((test for test in tests if test.kind == kind), None)

    def _before(self, step: Revision) -> Balance:
        return Balance(step, list(step.fittings.all()), self.line)

    def _moments(
        self, source: Revision, changes: list[_Change], axis: str
    ) -> tuple[float, list[float], list[float]] | str:
        """Mass of the source, and mass and place of each change since; or what is missing for that."""
        changes_kg: list[float] = []
        places_m: list[float] = []
        for change in changes:
            place_m = change.place_m if axis != "y_m" else change.place_m or 0.0
            if change.part.mass_kg is None or place_m is None:
                missing = "mass" if change.part.mass_kg is None else _PLACES[axis]
                return f"the {missing} of {change.part.name}, changed since {source.label} was measured"
            changes_kg.append(change.quantity * change.part.mass_kg)
            places_m.append(place_m)
        before = self._before(source).mass
        if before.value is None:
            return f"the mass of {source.label}, on which the height was measured"
        return before.value, changes_kg, places_m

    def _since(self, source: Revision, verb: str, value: float, kind: str, moved: bool) -> str:
        changed = ", moved by the parts changed since" if moved else "; the same parts since"
        return f"As {verb} on {source.label}, {written(value, kind, digits=3)}{changed}."

    def _changes_since(self, source: Revision, axis: str) -> list[_Change]:
        """Parts added, removed or moved on an axis since a revision. A place only recorded later is no move."""
        counted = Counter[tuple[uuid.UUID, float | None]]()
        parts: dict[uuid.UUID, Part] = {}
        for fittings, sign in ((list(source.fittings.all()), -1), (self.fittings, 1)):
            for fitting in fittings:
                parts[fitting.part_id] = fitting.part
                place_m = getattr(fitting, axis)
                # To the micrometre: a length typed in inches is converted with a small rounding error.
                place_m = None if place_m is None else round(place_m, 6)
                counted[fitting.part_id, place_m] += sign * fitting.quantity
        for part_id, place_m in list(counted):
            if place_m is not None:
                unplaced, placed = counted[part_id, None], counted[part_id, place_m]
                if unplaced * placed < 0:
                    moved = min(abs(unplaced), abs(placed))
                    counted[part_id, None] += moved if unplaced < 0 else -moved
                    counted[part_id, place_m] += moved if placed < 0 else -moved
        return [_Change(parts[part_id], count, place_m) for (part_id, place_m), count in counted.items() if count]


def _weighed_mass(balance: Balance, test: Any) -> float | None:
    mass_kg = test.total_kg - test.load_kg
    return mass_kg if mass_kg > 0 else None


def _weighed_place(revision: Revision, test: Any, axis: str) -> float | None:
    """Of the machine alone: what sat on the seat is taken off at the seat. None where the seat has no place."""
    seat_m = 0.0 if axis == "y_m" else revision.seat_x_m
    mass_kg = test.total_kg - test.load_kg
    if mass_kg <= 0 or (test.load_kg and seat_m is None):
        return None
    moment = sum(row[axis] * row["mass_kg"] for row in test.loads)
    return float((moment - test.load_kg * (seat_m or 0.0)) / mass_kg)


def _tilted_height(balance: Balance, test: Any) -> float | None:
    """Of the machine alone, from the tilt at which it balanced on an edge; None while its place is unknown."""
    revision, mass_kg = balance.revision, balance.mass.value
    x_m, y_m = balance.forward.value, balance.sideways.value
    has_seat = revision.seat_x_m is not None and revision.seat_z_m is not None
    if mass_kg is None or x_m is None or y_m is None or (test.load_kg and not has_seat):
        return None
    total_kg = mass_kg + test.load_kg
    centre = (
        (mass_kg * x_m + test.load_kg * (revision.seat_x_m or 0.0)) / total_kg,
        mass_kg * y_m / total_kg,
        1.0,
    )
    try:
        edges = tip_over_edges([(point.x_m, point.y_m) for point in revision.ground_contacts], centre)
    except ValueError:
        return None
    # The edge that faces most to the side over which it was tilted.
    facing = np.cos(np.radians(edges.outward_deg - test.OUTWARD_DEG[test.side]))
    distance_m = float(edges.distance_m[int(np.argmax(facing))])
    if distance_m <= 0:
        return None
    height_m = height_by_tilting(distance_m, test.tilt_deg).value
    rider_z_m = (revision.seat_z_m or 0.0) + RIDER_CG_ABOVE_SEAT_M
    own_m = (total_kg * height_m - test.load_kg * rider_z_m) / mass_kg
    return own_m if own_m > 0 else None


def measured_on(revision: Revision, name: str, line: Mapping[uuid.UUID, Revision]) -> Revision | None:
    """The revision on which a value was measured: this one, or the nearest before it that has one.

    A value equal to the parent's was copied from it, as earlier releases did for new revisions, and not measured
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
