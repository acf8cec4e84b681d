"""The first hour with an empty log: a machine, what it is made of, a venue with its gate, a session."""

from __future__ import annotations

from typing import NamedTuple

from django.urls import reverse

from buildlog.machines.models import Revision, Vehicle
from sessions.outings.models import Gate, Session, Venue


class Step(NamedTuple):
    """A step: the name of its page, and what it is called."""

    page: str
    label: str


STEPS = (
    Step("new_vehicle", "The machine"),
    Step("made_of", "What it is made of"),
    Step("new_venue", "First venue and gate"),
    Step("new_session", "First session"),
)


def next_step_address() -> str:
    """Where an empty log leads next; "" once there is a session."""
    if Session.objects.exists():
        return ""
    if not Revision.objects.exists():
        vehicle = Vehicle.objects.order_by("created_at").first()
        return reverse("new_vehicle") if vehicle is None else reverse("made_of", args=[vehicle.pk])
    if not Venue.objects.exists():
        return reverse("new_venue")
    if not Gate.objects.exists():
        return reverse("new_gate", args=[Venue.objects.values_list("pk", flat=True).first()])
    return reverse("new_session")
