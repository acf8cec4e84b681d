"""Instruments of a machine: what the columns of their files mean, and what their values can be."""

from __future__ import annotations

import uuid
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q
from django.urls import reverse

from buildlog.machines.models import Vehicle
from buildlog.quantities.fields import QuantityField
from buildlog.records.models import MadeRecord
from sessions.logs.instrument_columns import NotAColumn, read_columns


class Instrument(MadeRecord):
    """A logger that a machine carries. The next file with its columns is read as this says, and tried against it."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    vehicle = models.ForeignKey(Vehicle, on_delete=models.CASCADE, related_name="instruments")
    name = models.CharField("name", max_length=60)
    columns = models.JSONField("its columns", default=list)
    interval_s = QuantityField(
        "seconds between two rows",
        kind="duration",
        null=True,
        blank=True,
        low=1e-4,
        high=3600,
        short_label="Step",
        sample="0.1 s",
    )
    notes = models.TextField(blank=True, max_length=1000)

    class Meta:
        ordering = ["vehicle_id", "name"]
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle", "name"],
                name="instrument_has_a_name_of_its_own",
                violation_error_message="This machine has an instrument of that name already.",
            ),
            models.CheckConstraint(
                condition=~Q(name=""),
                name="instrument_has_a_name",
                violation_error_message="Give the instrument a name, for example: pack logger.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("vehicle_instruments", args=[self.vehicle_id])

    def clean(self) -> None:
        try:
            self.columns = [column.as_json() for column in read_columns(self.columns)]
        except NotAColumn as error:
            raise ValidationError({"columns": str(error)}) from None

    @property
    def known_columns(self) -> list[Any]:
        """Its columns, read; none where somebody wrote them by hand and they cannot be read."""
        try:
            return list(read_columns(self.columns))
        except NotAColumn:
            return []
