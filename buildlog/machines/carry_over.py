"""A new revision starts as a copy of its parent."""

from __future__ import annotations

from django.db import transaction
from django.utils import timezone

from buildlog.machines.individuals import IndividualFitting
from buildlog.machines.models import Fitting, Revision, Vehicle

GEOMETRY = (
    "contacts",
    "track_width_m",
    "wheelbase_m",
    "rolling_circumference_m",
    "drive_ratio",
    "seat_x_m",
    "seat_z_m",
    "rider_mass_kg",
    "contact_points",
)
MEASURED = ("mass_without_rider_kg", "cg_height_m")
"""Measured values stay with the revision on which they were measured; later ones are worked out from their parts."""


def next_revision(vehicle: Vehicle) -> Revision:
    """An unsaved revision with the next number, like the newest one."""
    parent = vehicle.revisions.order_by("-number").first()
    revision = Revision(
        vehicle=vehicle, number=parent.number + 1 if parent else 1, parent=parent, date=timezone.localdate()
    )
    if parent is not None:
        for name in GEOMETRY:
            setattr(revision, name, getattr(parent, name))
    return revision


def carry_fittings_over(revision: Revision) -> int:
    """Copy the parent's fittings, with their pieces, to a saved revision. Returns how many were copied."""
    if revision.parent is None:
        return 0
    with transaction.atomic():
        before = list(revision.parent.fittings.prefetch_related("pieces"))
        fittings = [fitting.carried_to(revision) for fitting in before]
        Fitting.objects.bulk_create(fittings)
        IndividualFitting.objects.bulk_create(
            place.carried_to(carried, revision.date)
            for fitting, carried in zip(before, fittings, strict=True)
            for place in fitting.pieces.all()
            if place.removed_on is None
        )
    return len(fittings)
