"""What a log without a session needs, in order, up to the first session."""

from __future__ import annotations

from dataclasses import dataclass

from django.urls import reverse

from buildlog.machines.models import Revision, Vehicle
from buildlog.people.roles import Right
from sessions.outings.models import Gate, Session, Venue


@dataclass(frozen=True)
class FirstStep:
    """right: what an account must be allowed to do for it. address: None while an earlier step is missing."""

    label: str
    why: str
    right: str
    address: str | None
    is_done: bool
    is_next: bool = False


def first_steps(vehicle: Vehicle | None) -> list[FirstStep]:
    """Three queries at most, whatever there is already."""
    revision = Revision.objects.filter(vehicle=vehicle).order_by("-number").first() if vehicle else None
    venue = Venue.objects.order_by("name").first()
    gate = Gate.objects.select_related("venue").order_by("name").first() if venue else None
    rows = [
        (
            "The machine",
            "Its name, and what it is for.",
            Right.BUILD,
            reverse("new_vehicle"),
            vehicle is not None,
        ),
        (
            "What it is made of",
            "Battery, motor and controller first: voltage, energy and limits come from them. It becomes R1.",
            Right.BUILD,
            reverse("made_of", args=[vehicle.pk]) if vehicle else None,
            revision is not None,
        ),
        (
            "Where you ride",
            "The lake or field, with what to know of it.",
            Right.LOG,
            reverse("new_venue"),
            venue is not None,
        ),
        (
            "A gate to time between",
            "Two marks a measured distance apart; speed and its uncertainty come from it.",
            Right.LOG,
            reverse("new_gate", args=[venue.pk]) if venue else None,
            gate is not None,
        ),
        (
            "The first session",
            "Here afterwards, or at the lake on a phone, with or without a network.",
            Right.LOG,
            reverse("new_session") if revision and venue else None,
            False,
        ),
    ]
    following = next(index for index, row in enumerate(rows) if not row[-1])
    return [FirstStep(*row, is_next=index == following) for index, row in enumerate(rows)]


def next_step_address(vehicle: Vehicle | None) -> str:
    """Where a log without a session leads next; "" once there is one."""
    if Session.objects.exists():
        return ""
    return next((step.address or "" for step in first_steps(vehicle) if step.is_next), "")
