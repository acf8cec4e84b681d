"""A machine in space: where its weight is over its contacts, and what it takes to tip it.

Of a rigid machine on level, even ground that grips. Nothing here says that a turn may be ridden.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np

from buildlog.machines.balance import RIDER_CG_ABOVE_SEAT_M
from buildlog.machines.contacts import Contact, contact_name
from buildlog.machines.machine import Machine
from calc import stability, support_polygon, traction
from calc.stability import STANDARD_GRAVITY_MPS2

RADII_M = (5.0, 10.0, 20.0, 40.0)
BRAKING_G = 0.2
"""Braking or driving in a turn is shown at this; rubber on ice holds less, rubber on concrete far more."""
U_PART_KG = 0.02
U_PLACE_M = 0.01
U_HEIGHT_M = 0.02
U_RIDER_KG, U_RIDER_M = 1.0, 0.05
"""How far a weighed part (as a share), a part's place, a measured height and a rider are off (common practice, no
source)."""
NARROW_G = 0.5
"""Below this a machine tips before tyres on dry ground slide, or at an edge in the ice (common practice, no source)."""
DEFAULT_STIFFNESS_N_PER_M = 1.0e5
"""Contacts of unstated stiffness give way alike; with one value for all, which it is changes nothing."""


class Edge(NamedTuple):
    """An edge over which the machine can tip."""

    name: str
    distance_m: float
    threshold_g: float
    tilt_deg: float
    first: Contact
    second: Contact


class Load(NamedTuple):
    contact: Contact
    name: str
    load_kg: float
    braking_kg: float
    share: float


class Turn(NamedTuple):
    """The fastest turn of one radius on one surface: where it begins to slide, and whether it tips before that."""

    radius_m: float
    low_mps: float
    high_mps: float
    tips_first: bool


class Surface(NamedTuple):
    pair: str
    source: str
    turns: list[Turn]

    @property
    def tips_first(self) -> bool:
        return any(turn.tips_first for turn in self.turns)


@dataclass(frozen=True)
class Space:
    """What is known of a machine with a load on its seat; `needs` says what lacks for the rest."""

    machine: Machine
    load_kg: float | None

    @cached_property
    def contacts(self) -> list[Contact]:
        return self.machine.contacts

    @cached_property
    def points(self) -> list[tuple[float, float]]:
        return [(contact.x_m, contact.y_m) for contact in self.contacts]

    @cached_property
    def centre(self) -> support_polygon.Centre | None:
        """Machine and rider together, with uncertainties; None while something for that is missing."""
        balance, revision = self.machine.balance, self.machine.revision
        mass_kg, x_m, z_m = balance.mass.value, balance.forward.value, balance.height.value
        if mass_kg is None or x_m is None or z_m is None or balance.needs_for_rider(self.load_kg):
            return None
        own = self._own_uncertainty()
        measured_height = balance.height.measured_on is not None
        bodies = [(mass_kg, U_PART_KG * mass_kg, (x_m, balance.sideways.value or 0.0, z_m), own)]
        if measured_height:
            bodies[0] = (*bodies[0][:3], (*own[:2], max(own[2], U_HEIGHT_M)))
        if self.load_kg and revision.seat_x_m is not None and revision.seat_z_m is not None:
            place = (revision.seat_x_m, 0.0, revision.seat_z_m + RIDER_CG_ABOVE_SEAT_M)
            bodies.append((self.load_kg, U_RIDER_KG, place, (U_RIDER_M,) * 3))
        masses, u_masses, places, u_places = zip(*bodies, strict=True)
        return support_polygon.centre_in_space(list(masses), list(u_masses), list(places), list(u_places))

    def _own_uncertainty(self) -> tuple[float, float, float]:
        """Of the machine's own centre, from how well its parts are placed and weighed."""
        placed = [
            (fitting.quantity * fitting.part.mass_kg, (fitting.x_m, fitting.y_m or 0.0, fitting.z_m))
            for fitting in self.machine.fittings
            if fitting.part.mass_kg and fitting.x_m is not None and fitting.z_m is not None
        ]
        if not placed:
            return (U_HEIGHT_M,) * 3
        masses, places = zip(*placed, strict=True)
        centre = support_polygon.centre_in_space(
            list(masses), [U_PART_KG * mass for mass in masses], list(places), [(U_PLACE_M,) * 3] * len(placed)
        )
        # Anywhere within its bounds, with equal chance (JCGM 100:2008, 4.3.7).
        x_m, y_m, z_m = (bound_m / math.sqrt(3) for bound_m in self.unplaced_shift_m)
        return math.hypot(centre.u_x_m, x_m), math.hypot(centre.u_y_m, y_m), math.hypot(centre.u_z_m, z_m)

    @cached_property
    def unplaced_shift_m(self) -> tuple[float, float, float]:
        """How far parts without a place can move the machine's own centre: forward or back, aside, up or down.

        At worst they sit at an end of the machine, as its contacts, placed parts and seat show it, or on the ground.
        What was weighed or tilted has them in it.
        """
        balance, revision = self.machine.balance, self.machine.revision
        mass_kg, x_m, z_m = balance.mass.value, balance.forward.value, balance.height.value
        if not balance.unplaced_kg or mass_kg is None or x_m is None or z_m is None:
            return 0.0, 0.0, 0.0
        share, fittings, y_m = abs(balance.unplaced_kg) / mass_kg, self.machine.fittings, balance.sideways.value or 0.0
        ends_m = (
            [x for x, _ in self.points] + [fitting.x_m for fitting in fittings] + [revision.seat_x_m],
            [y for _, y in self.points] + [fitting.y_m for fitting in fittings],
            [0.0, revision.seat_z_m] + [fitting.z_m for fitting in fittings],
        )
        forward, aside, up = (
            share * max((abs(end_m - own_m) for end_m in ends if end_m is not None), default=0.0)
            for ends, own_m in zip(ends_m, (x_m, y_m, z_m), strict=True)
        )
        weighed, tilted = balance.forward.measured_on is not None, balance.height.measured_on is not None
        return 0.0 if weighed else forward, 0.0 if weighed else aside, 0.0 if tilted else up

    @cached_property
    def needs(self) -> str:
        """What a person must enter before it can be said how the machine stands, or ""."""
        if len(self.points) < 3:
            two = "at least three ground contacts: on two it is balanced by its rider"
            return two if len(self.points) == 2 else "the ground contacts"
        missing = self.machine.balance.needs_for_rider(self.load_kg)
        if missing:
            return missing
        try:
            self.edges  # noqa: B018
        except ValueError:
            return "a centre of gravity between the contacts: as entered, the machine falls over standing"
        return ""

    @property
    def falls_over(self) -> bool:
        """Whether the centre of gravity, which is known, lies outside of the contacts."""
        return self.needs.startswith("a centre of gravity")

    @cached_property
    def _place(self) -> tuple[float, float, float]:
        if self.centre is None:
            raise ValueError("the centre of gravity is not known")
        return self.centre.x_m, self.centre.y_m, self.centre.z_m

    @cached_property
    def edges(self) -> list[Edge]:
        """The weakest first. Raises ValueError while `needs` says something."""
        measured = support_polygon.tip_over_edges(self.points, self._place)
        edges = [
            Edge(
                _side(float(measured.outward_deg[row])),
                float(measured.distance_m[row]),
                float(measured.threshold_g[row]),
                float(measured.tilt_deg[row]),
                self.contacts[int(measured.first[row])],
                self.contacts[int(measured.second[row])],
            )
            for row in range(len(measured.distance_m))
        ]
        return sorted(edges, key=lambda edge: edge.threshold_g)

    @cached_property
    def sideways_g(self) -> float:
        """The lower threshold of a left and a right turn."""
        return float(np.min(stability.tip_over_g(self.points, self._place, np.array([90.0, -90.0]))))

    @cached_property
    def braking_g(self) -> float:
        return float(stability.tip_over_g(self.points, self._place, 180.0))

    @cached_property
    def driving_g(self) -> float:
        return float(stability.tip_over_g(self.points, self._place, 0.0))

    @property
    def expanded_sideways_g(self) -> float:
        """Twice its standard uncertainty, as pages show it."""
        return 2 * self.u_sideways_g

    @cached_property
    def u_sideways_g(self) -> float:
        """From the uncertainty of the centre's height and place."""
        if self.centre is None:
            return 0.0
        share_z = self.centre.u_z_m / self.centre.z_m * self.sideways_g
        step = max(self.centre.u_x_m, 1e-6)
        shifted = []
        for dx_m, dy_m in ((step, 0.0), (-step, 0.0), (0.0, self.centre.u_y_m), (0.0, -self.centre.u_y_m)):
            place = (self._place[0] + dx_m, self._place[1] + dy_m, self._place[2])
            try:
                moved = stability.tip_over_g(self.points, place, np.array([90.0, -90.0]))
                shifted.append(abs(float(np.min(moved)) - self.sideways_g))
            except ValueError:
                shifted.append(self.sideways_g)
        return float(np.sqrt(share_z**2 + max(shifted[:2]) ** 2 + max(shifted[2:]) ** 2))

    @cached_property
    def turning_and_braking_g(self) -> float:
        return min(support_polygon.cornering_limit(self.points, self._place, -BRAKING_G))

    @cached_property
    def turning_and_driving_g(self) -> float:
        return min(support_polygon.cornering_limit(self.points, self._place, BRAKING_G))

    @cached_property
    def loads(self) -> list[Load]:
        """At rest and while braking: of three contacts by statics, of more by their stiffness."""
        if self.centre is None:
            return []
        at_rest = self._loads_n((0.0, 0.0))
        try:
            braking = self._loads_n((-BRAKING_G * STANDARD_GRAVITY_MPS2, 0.0))
        except ValueError:
            braking = np.full(len(self.contacts), np.nan)
        total = float(at_rest.sum())
        return [
            Load(
                contact,
                contact_name(contact, self.contacts),
                float(at_rest[row]) / STANDARD_GRAVITY_MPS2,
                max(0.0, float(braking[row])) / STANDARD_GRAVITY_MPS2,
                float(at_rest[row]) / total,
            )
            for row, contact in enumerate(self.contacts)
        ]

    def _loads_n(self, acceleration_xy_mps2: tuple[float, float]) -> np.ndarray:
        assert self.centre is not None
        if len(self.contacts) == 3:
            loads = stability.contact_loads_n(self.points, self._place, self.centre.mass_kg, acceleration_xy_mps2)
        else:
            stiffness = [contact.stiffness_n_per_m or DEFAULT_STIFFNESS_N_PER_M for contact in self.contacts]
            loads = support_polygon.elastic_contact_loads(
                self.points, stiffness, self._place, self.centre.mass_kg, acceleration_xy_mps2
            )
        return np.asarray(loads)

    @property
    def shares_by_stiffness(self) -> bool:
        return len(self.contacts) > 3

    @cached_property
    def surfaces(self) -> list[Surface]:
        """Fastest speed over turn radius, on each pair of surfaces whose grip is cited."""
        rows = []
        for pair in traction.FRICTION_RANGES:
            turns = []
            for radius_m in RADII_M:
                low, high = (
                    stability.fastest_turn(radius_m, self.sideways_g, friction) for friction in (pair.low, pair.high)
                )
                turns.append(Turn(radius_m, float(low.speed_mps), float(high.speed_mps), bool(high.tips_first)))
            rows.append(Surface(pair.pair, pair.source, turns))
        return rows

    @cached_property
    def careful_sideways_g(self) -> float:
        """The lower threshold of a left and a right turn with the parts that have no place at their worst place."""
        if self.centre is None or not any(self.unplaced_shift_m):
            return self.sideways_g
        own_kg = self.machine.balance.mass.value or 0.0
        forward, aside, up = (shift_m * own_kg / self.centre.mass_kg for shift_m in self.unplaced_shift_m)
        x_m, y_m, z_m = self._place
        worst = [(x_m + dx_m, y_m + dy_m, z_m + up) for dx_m in (-forward, forward) for dy_m in (-aside, aside)]
        try:
            return min(
                float(np.min(stability.tip_over_g(self.points, place, np.array([90.0, -90.0])))) for place in worst
            )
        except ValueError:
            return 0.0

    @property
    def unplaced_words(self) -> str:
        """What is not known of the places of light parts, where that moves the centre, or ""."""
        return self.machine.balance.unplaced_words if any(self.unplaced_shift_m) else ""

    @property
    def is_narrow(self) -> bool:
        return self.careful_sideways_g < NARROW_G


def _side(outward_deg: float) -> str:
    """Where an edge faces, in words."""
    names = {0: "front", 45: "front left", 90: "left", 135: "rear left", 180: "rear"}
    names |= {-45: "front right", -90: "right", -135: "rear right", -180: "rear"}
    angle = (outward_deg + 180.0) % 360.0 - 180.0
    nearest = min(names, key=lambda known: abs(known - angle))
    # Straight sides keep their plain name, however oblique by a few degrees.
    if abs(abs(angle) - 90.0) < 40.0:
        return "left" if angle > 0 else "right"
    return names[nearest]
