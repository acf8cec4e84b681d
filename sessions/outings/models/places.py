"""Where machines are ridden: venues, and the gates passes are timed through."""

from __future__ import annotations

import uuid

from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils.functional import cached_property

from buildlog.quantities.fields import QuantityField
from buildlog.records.models import MadeRecord
from calc.quantities import written


class Venue(MadeRecord):
    """A place where machines are ridden."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    name = models.CharField(max_length=120, unique=True)
    notes = models.TextField(blank=True, max_length=2000)
    invented = models.BooleanField(default=False, editable=False)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("venue", args=[self.pk])


class Gate(MadeRecord):
    """Two or more marks a known distance apart. Each mark has its distance from the first."""

    history_parts = {"marks": "Mark"}

    class Method(models.TextChoices):
        TAPED = "taped", "Taped"
        COORDINATES = "coordinates", "From coordinates (WGS84)"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    venue = models.ForeignKey(Venue, on_delete=models.CASCADE, related_name="gates")
    name = models.CharField(max_length=80)
    method = models.CharField("how the distance is known", max_length=12, choices=Method.choices, default=Method.TAPED)
    u_distance_m = QuantityField("standard uncertainty of the distance", kind="length", default=0.1, high=1000)

    class Meta:
        ordering = ["venue_id", "name"]
        constraints = [
            models.UniqueConstraint(
                fields=["venue", "name"],
                name="gate_name_is_used_once_per_venue",
                violation_error_message="This venue already has a gate with that name.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return self.venue.get_absolute_url()

    @cached_property
    def positions_m(self) -> list[float]:
        """Positions of the marks, read once for each fetched object."""
        return [mark.position_m for mark in self.marks.all()]

    @property
    def length_m(self) -> float:
        positions = self.positions_m
        return positions[-1] - positions[0] if len(positions) > 1 else 0.0


class GateMark(models.Model):
    keeps_history = True
    gate = models.ForeignKey(Gate, on_delete=models.CASCADE, related_name="marks")
    position_m = QuantityField("distance from the first mark", kind="distance", high=100000)
    latitude_deg = models.FloatField(null=True, blank=True)
    longitude_deg = models.FloatField(null=True, blank=True)

    class Meta:
        ordering = ["gate_id", "position_m"]
        constraints = [
            models.UniqueConstraint(fields=["gate", "position_m"], name="gate_marks_stand_apart"),
            models.CheckConstraint(
                condition=Q(latitude_deg__isnull=True, longitude_deg__isnull=True)
                | Q(latitude_deg__range=(-90, 90), longitude_deg__range=(-180, 180)),
                name="gate_mark_coordinates_are_on_earth",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.position_m:g} m"

    def in_history(self, unit_system: str) -> str:
        """The mark with as many digits as its form shows, since no two kept marks may look alike."""
        position = written(self.position_m, "distance", unit_system, digits=10)
        if self.latitude_deg is None or self.longitude_deg is None:
            return position
        return f"{position} ({self.latitude_deg:.7f}, {self.longitude_deg:.7f})"
