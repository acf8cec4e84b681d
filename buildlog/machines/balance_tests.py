"""Measuring where a machine balances: weighing its contacts, and tilting it until one gets light."""

from __future__ import annotations

import math
import uuid
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from buildlog.machines.models import Revision
from buildlog.quantities.fields import QuantityField
from buildlog.records.models import MadeRecord

HEAVIEST_KG = 5000.0


class BalanceTest(MadeRecord):
    """What scales or a tilt said of a revision. It corrects the model by an offset, and follows the parts after it.

    A weighing keeps the places of the contacts with their loads, so that it stays true when contacts are moved later.
    """

    class Kind(models.TextChoices):
        WEIGHING = "weighing", "Weighing of each contact"
        TILT = "tilt", "Tilt test"

    class Side(models.TextChoices):
        LEFT = "left", "Over its left side"
        RIGHT = "right", "Over its right side"
        FRONT = "front", "Over its front"
        REAR = "rear", "Over its rear"

    OUTWARD_DEG = {Side.LEFT: 90.0, Side.RIGHT: -90.0, Side.FRONT: 0.0, Side.REAR: 180.0}

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    revision = models.ForeignKey(Revision, on_delete=models.CASCADE, related_name="balance_tests")
    kind = models.CharField(max_length=8, choices=Kind.choices)
    done_on = models.DateField("date of the test", default=timezone.localdate)
    load_kg = QuantityField("mass on the seat meanwhile", kind="mass", default=0.0, high=500)
    loads = models.JSONField("load of each contact", default=list, blank=True)
    side = models.CharField("tilted", max_length=5, choices=Side.choices, blank=True)
    tilt_deg = QuantityField(
        "tilt at which the far contact got light",
        kind="angle",
        null=True,
        blank=True,
        includes_low=False,
        high=89,
        sample="25°",
    )
    notes = models.TextField(blank=True, max_length=1000)

    class Meta:
        ordering = ["-done_on", "pk"]
        constraints = [
            models.CheckConstraint(condition=Q(kind__in=["weighing", "tilt"]), name="balance_test_kind_is_known"),
            models.CheckConstraint(
                condition=~Q(kind="tilt") | (Q(tilt_deg__isnull=False) & ~Q(side="")),
                name="tilt_test_has_side_and_angle",
                violation_error_message="A tilt test has a side and an angle, for example: over its left side, 38°.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}, {self.done_on:%Y-%m-%d}"

    def get_absolute_url(self) -> str:
        return reverse("revision_space", args=[self.revision_id])

    def clean(self) -> None:
        if self.kind == self.Kind.WEIGHING:
            self.loads = read_loads(self.loads)

    @property
    def total_kg(self) -> float:
        return float(sum(row["mass_kg"] for row in self.loads))


def read_loads(values: Any) -> list[dict[str, float]]:
    """Loads of contacts as they are stored. Raises ValidationError with a sentence."""
    example = '[{"x_m": 1.8, "y_m": 0, "mass_kg": 41.5}]'
    if not isinstance(values, list) or not 2 <= len(values) <= 12:
        raise ValidationError({"loads": f"Give the load of every contact, for example {example}."})
    rows = []
    for number, row in enumerate(values, start=1):
        good = isinstance(row, dict) and set(row) == {"x_m", "y_m", "mass_kg"}
        numbers = list(row.values()) if good else []
        if not good or not all(
            isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
            for value in numbers
        ):
            raise ValidationError({"loads": f"Contact {number} needs its place and its load, for example {example}."})
        if not 0 <= row["mass_kg"] <= HEAVIEST_KG:
            raise ValidationError({"loads": f"Contact {number}: a load lies between 0 kg and {HEAVIEST_KG:g} kg."})
        rows.append({name: float(value) for name, value in row.items()})
    if sum(row["mass_kg"] for row in rows) <= 0:
        raise ValidationError({"loads": "All contacts together weigh more than 0 kg."})
    return rows
