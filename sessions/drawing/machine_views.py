"""A machine from the side and from above, to scale, drawn as SVG in the page's own colours."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from buildlog.machines.contacts import Contact
from buildlog.machines.space import Load, Space

WIDTH, MARGIN = 420.0, 26.0
LABEL_HEIGHT = 16.0
TALLEST_M = 4.0
HEAD_ABOVE_SEAT_M = 0.85
"""Sitting height of a grown person, about (common practice, no source)."""

Along = Callable[[float], float]
"""Where a place on one axis of the machine lies in the picture."""


@dataclass(frozen=True)
class Dot:
    x: float
    y: float
    radius: float
    label: str


@dataclass(frozen=True)
class Line:
    x1: float
    y1: float
    x2: float
    y2: float
    label: str = ""


@dataclass(frozen=True)
class Foot:
    """A contact as it is drawn: by its kind, with its load beside it."""

    x: float
    y: float
    kind: str
    length: float
    text: str
    anchor: str


@dataclass(frozen=True)
class View:
    height: float
    feet: list[Foot]
    parts: list[Dot]
    rider: Line | None
    centre: Dot | None
    u_x: float
    u_y: float
    edges: list[Line]
    weakest: Line | None
    ground: float
    scale: Line


@dataclass(frozen=True)
class MachineViews:
    side: View
    top: View
    figures: str
    """What it says, in a sentence."""

    @property
    def sentence(self) -> str:
        """The same for those who cannot see it."""
        return f"The machine from the side and from above, to scale. {self.figures}"


def machine_views(space: Space) -> MachineViews | None:
    """Both views on one scale; None where there is nothing to place yet."""
    fittings = [fitting for fitting in space.machine.fittings if fitting.x_m is not None and fitting.z_m is not None]
    revision = space.machine.revision
    xs = [contact.x_m for contact in space.contacts] + [fitting.x_m for fitting in fittings if fitting.x_m is not None]
    if not xs:
        return None
    if revision.seat_x_m is not None:
        xs.append(revision.seat_x_m)
    low, high = float(min(xs)) - 0.15, float(max(xs)) + 0.15
    scale = (WIDTH - 2 * MARGIN) / max(high - low, 0.5)

    def across(x_m: float) -> float:
        return float(round(MARGIN + (x_m - low) * scale, 1))

    return MachineViews(_side_view(space, across, scale), _top_view(space, across, scale), _figures(space))


def _mass_radius(mass_kg: float, scale: float) -> float:
    """A ball of the density of water of that mass, so that areas can be compared."""
    return round(max(2.5, math.cbrt(3.0 * mass_kg / 1000.0 / (4.0 * math.pi)) * scale), 1)


def _side_view(space: Space, across: Along, scale: float) -> View:
    revision = space.machine.revision
    tops = [0.5] + [fitting.z_m + 0.15 for fitting in space.machine.fittings if fitting.z_m is not None]
    if revision.seat_z_m is not None:
        tops.append(revision.seat_z_m + HEAD_ABOVE_SEAT_M)
    top = min(max(tops), TALLEST_M)
    ground = round(MARGIN / 2 + top * scale, 1)

    def up(z_m: float) -> float:
        return round(ground - z_m * scale, 1)

    feet = [
        Foot(across(contact.x_m), ground, contact.kind, round(0.22 * scale, 1), "", "middle")
        for contact in {contact.x_m: contact for contact in space.contacts}.values()
    ]
    parts = [
        Dot(
            across(fitting.x_m),
            up(fitting.z_m),
            _mass_radius(fitting.quantity * (fitting.part.mass_kg or 0.0), scale),
            fitting.part.name,
        )
        for fitting in space.machine.fittings
        if fitting.x_m is not None and fitting.z_m is not None
    ]
    rider = None
    if revision.seat_x_m is not None and revision.seat_z_m is not None:
        seat = across(revision.seat_x_m)
        rider = Line(seat, up(revision.seat_z_m), seat, up(revision.seat_z_m + HEAD_ABOVE_SEAT_M))
    centre, u_x, u_y = None, 0.0, 0.0
    if space.centre is not None:
        centre = Dot(across(space.centre.x_m), up(space.centre.z_m), 6.0, "Centre of gravity with rider")
        u_x, u_y = round(2 * space.centre.u_x_m * scale, 1), round(2 * space.centre.u_z_m * scale, 1)
    return View(
        round(ground + MARGIN + LABEL_HEIGHT, 1), feet, parts, rider, centre, u_x, u_y, [], None, ground,
        _scale_line(scale, ground + MARGIN),
    )  # fmt: skip


def _top_view(space: Space, across: Along, scale: float) -> View:
    ys = [contact.y_m for contact in space.contacts] + [fitting.y_m or 0.0 for fitting in space.machine.fittings]
    half = max([0.3, *(abs(y_m) for y_m in ys)]) + 0.1
    middle = round(MARGIN + half * scale, 1)

    def aside(y_m: float) -> float:
        # Left of the machine is up: it rides to the right of the page.
        return round(middle - y_m * scale, 1)

    loads = {load.contact: load for load in space.loads} if not space.needs else {}
    feet = [_foot_from_above(contact, across, aside, scale, loads) for contact in space.contacts]
    edges: list[Line] = []
    weakest = None
    if not space.needs:
        for edge in space.edges:
            line = Line(
                across(edge.first.x_m), aside(edge.first.y_m), across(edge.second.x_m), aside(edge.second.y_m),
                f"{edge.tilt_deg:.0f}°",
            )  # fmt: skip
            edges.append(line)
        weakest = edges[0]
    parts = [
        Dot(
            across(fitting.x_m),
            aside(fitting.y_m or 0.0),
            _mass_radius(fitting.quantity * (fitting.part.mass_kg or 0.0), scale),
            fitting.part.name,
        )
        for fitting in space.machine.fittings
        if fitting.x_m is not None and fitting.z_m is not None
    ]
    rider = None
    if space.machine.revision.seat_x_m is not None:
        seat = across(space.machine.revision.seat_x_m)
        rider = Line(seat, aside(0.2), seat, aside(-0.2))
    centre, u_x, u_y = None, 0.0, 0.0
    if space.centre is not None:
        centre = Dot(across(space.centre.x_m), aside(space.centre.y_m), 6.0, "Centre of gravity with rider")
        u_x, u_y = round(2 * space.centre.u_x_m * scale, 1), round(2 * space.centre.u_y_m * scale, 1)
    return View(
        round(2 * middle, 1), feet, parts, rider, centre, u_x, u_y, edges, weakest, middle,
        _scale_line(scale, 2 * middle - 8),
    )  # fmt: skip


def _foot_from_above(contact: Contact, across: Along, aside: Along, scale: float, loads: dict[Contact, Load]) -> Foot:
    load = loads.get(contact)
    text = f"{load.load_kg:.0f} kg" if load is not None else ""
    x = across(contact.x_m)
    return Foot(x, aside(contact.y_m), contact.kind, round(0.22 * scale, 1), text, "start" if x < WIDTH / 2 else "end")


def _scale_line(scale: float, y: float) -> Line:
    """A bar of half a metre, so that the picture says how large it is."""
    return Line(MARGIN, round(y, 1), round(MARGIN + 0.5 * scale, 1), round(y, 1), "0.5 m")


def _figures(space: Space) -> str:
    if space.needs:
        return f"For its tip-over edges it needs {space.needs}."
    weakest = space.edges[0]
    assert space.centre is not None
    return (
        f"Its centre of gravity with rider is {space.centre.z_m:.2f} m high; it tips first over its {weakest.name}, at "
        f"{weakest.tilt_deg:.0f}°."
    )
