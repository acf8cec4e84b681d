"""What the instruments of a machine showed in a session."""

from __future__ import annotations

import uuid

from django.core.exceptions import ValidationError
from django.db import models

from buildlog.quantities.fields import QuantityField
from buildlog.records.models import MadeRecord
from sessions.outings.models.outings import ORDER_OF_TAPS, Session, sequence_field


class Reading(MadeRecord):
    """One look at the instruments."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    session = models.ForeignKey(Session, on_delete=models.CASCADE, related_name="readings")
    time_into_session_s = QuantityField("time into the session", kind="runtime", high=1e6, in_rows=False)
    voltage_v = QuantityField(
        "voltage", kind="voltage", null=True, blank=True, high=1500, phone="reading", short_label="Voltage"
    )
    current_a = QuantityField(
        "current", kind="current", null=True, blank=True, low=-10000, high=10000, phone="reading", short_label="Current"
    )
    charge_used_ah = QuantityField(
        "charge used so far",
        kind="charge",
        null=True,
        blank=True,
        low=-1000,
        high=10000,
        phone="reading",
        short_label="Used",
    )
    battery_temperature_c = QuantityField(
        "battery temperature",
        kind="temperature",
        null=True,
        blank=True,
        low=-70,
        high=200,
        phone="reading",
        short_label="Battery",
        sample="8 °C",
    )
    motor_temperature_c = QuantityField(
        "motor temperature",
        kind="temperature",
        null=True,
        blank=True,
        low=-70,
        high=400,
        phone="reading",
        short_label="Motor",
        sample="45 °C",
    )
    controller_temperature_c = QuantityField(
        "controller temperature",
        kind="temperature",
        null=True,
        blank=True,
        low=-70,
        high=400,
        phone="reading",
        short_label="Controller",
        sample="40 °C",
    )
    distance_m = QuantityField(
        "distance so far", kind="trip", null=True, blank=True, high=1e7, phone="reading", short_label="Ridden"
    )
    note = models.CharField(max_length=500, blank=True)
    sequence = sequence_field()

    class Meta:
        ordering = ["session_id", ORDER_OF_TAPS.asc(), "time_into_session_s"]
        # Limits are compared with the few highest voltages.
        indexes = [models.Index(fields=["voltage_v"], name="reading_by_voltage")]

    def __str__(self) -> str:
        return f"Reading at {self.time_into_session_s / 60:.1f} min"

    def get_absolute_url(self) -> str:
        return self.session.get_absolute_url()

    def clean(self) -> None:
        values = [getattr(self, field.name) for field in self._meta.fields if isinstance(field, QuantityField)]
        if all(value is None for value in values[1:]) and not self.note:
            raise ValidationError("A reading needs at least one value, for example 50.4 V.")
