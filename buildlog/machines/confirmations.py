"""Values that were doubted, and that a person says are so."""

from __future__ import annotations

import math
import uuid
from collections.abc import Mapping
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.db.models import Q
from django.utils import timezone

from buildlog.machines.models import Vehicle
from buildlog.records import history
from buildlog.records.models import MadeRecord

SAME_FRACTION = 1e-9


class Confirmation(MadeRecord):
    """A person's "it is so" to one doubt of one record.

    It holds for the values it was given for: once one of them is changed, the doubt is open again.
    """

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    vehicle = models.ForeignKey(Vehicle, on_delete=models.CASCADE, related_name="confirmations")
    subject = models.CharField("kind of record", max_length=12)
    record = models.UUIDField("record")
    rule = models.CharField("what was doubted", max_length=60)
    values = models.JSONField("values it was given for", default=dict)
    reason = models.CharField("why it is so", max_length=300)
    confirmed_by = models.CharField("who says so", max_length=150, blank=True)
    confirmed_at = models.DateTimeField("when", default=timezone.now)

    class Meta:
        ordering = ["-confirmed_at", "pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["subject", "record", "rule"],
                name="doubt_is_confirmed_once",
                violation_error_message="This was confirmed already.",
            ),
            models.CheckConstraint(
                condition=~Q(reason=""),
                name="confirmation_says_why",
                violation_error_message="Say why it is so, for example: read again on the meter.",
            ),
        ]

    def __str__(self) -> str:
        return f"It is so: {self.reason}"

    def get_absolute_url(self) -> str:
        return self.vehicle.get_absolute_url()

    def clean(self) -> None:
        values: Any = self.values
        if not isinstance(values, dict) or not all(_is_number(value) for value in values.values()):
            raise ValidationError({"values": 'Values are a table of numbers, for example {"runtime_s": 35}.'})

    def holds_for(self, values: Mapping[str, float]) -> bool:
        """Whether it was given for these values."""
        if set(self.values) != set(values):
            return False
        return all(
            abs(value - self.values[name]) <= SAME_FRACTION * max(abs(value), 1e-9) for name, value in values.items()
        )


def confirm(subject: str, record: uuid.UUID, rule: str, **answer: Any) -> Confirmation:
    """Keep that a doubt is answered by "it is so"; what was said of it before goes into the history.

    answer: vehicle, values, reason and confirmed_by.
    """
    answer |= {"confirmed_at": timezone.now()}
    with transaction.atomic():
        about = {"subject": subject, "record": record, "rule": rule}
        confirmation, is_new = Confirmation.objects.select_for_update().get_or_create(**about, defaults=answer)
        if not is_new:
            with history.changing(confirmation) as change:
                for name, value in answer.items():
                    setattr(confirmation, name, value)
                confirmation.save()
                change.fields = list(answer)
    return confirmation


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
