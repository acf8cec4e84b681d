"""Why things failed: a chain of whys, and what shows it."""

from __future__ import annotations

import uuid
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q
from django.urls import reverse

from buildlog.machines.models import Vehicle
from buildlog.records.models import MadeRecord

MOST_WHYS = 7


class Cause(MadeRecord):
    """One cause of one machine's failures. Several failures, also of several modes, may share it."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    vehicle = models.ForeignKey(Vehicle, on_delete=models.CASCADE, related_name="causes")
    statement = models.CharField("the cause, in one sentence", max_length=300)
    whys = models.JSONField("the chain of whys that leads to it", default=list, blank=True)
    confirmed = models.BooleanField("confirmed, not suspected", default=False)

    class Meta:
        ordering = ["statement"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(statement=""),
                name="cause_is_written",
                violation_error_message="Write the cause down, for example: idler spring lost its tension in the cold.",
            ),
        ]

    def __str__(self) -> str:
        return self.statement

    def get_absolute_url(self) -> str:
        return reverse("vehicle_bench", args=[self.vehicle_id])

    def clean(self) -> None:
        whys: Any = self.whys
        if not isinstance(whys, list) or not all(isinstance(why, str) and 0 < len(why) <= 300 for why in whys):
            raise ValidationError({"whys": "Each why is one sentence of at most 300 characters, one on each line."})
        if len(whys) > MOST_WHYS:
            raise ValidationError(
                {"whys": f"A chain has at most {MOST_WHYS} whys; {len(whys)} were written. Join some."}
            )


class Evidence(MadeRecord):
    """What shows a cause: a photo, a reading, or an excerpt of a log or a measurement."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    cause = models.ForeignKey(Cause, on_delete=models.CASCADE, related_name="evidence")
    photo = models.ForeignKey(
        "buildlog.Photo", on_delete=models.CASCADE, null=True, blank=True, related_name="shows_causes"
    )
    reading = models.ForeignKey(
        "test_sessions.Reading", on_delete=models.CASCADE, null=True, blank=True, related_name="shows_causes"
    )
    excerpt = models.TextField("excerpt of a log, or what was measured", blank=True, max_length=2000)

    class Meta:
        ordering = ["cause_id", "pk"]
        verbose_name_plural = "evidence"
        constraints = [
            models.CheckConstraint(
                condition=Q(photo__isnull=False, reading__isnull=True, excerpt="")
                | Q(photo__isnull=True, reading__isnull=False, excerpt="")
                | (Q(photo__isnull=True, reading__isnull=True) & ~Q(excerpt="")),
                name="evidence_is_one_thing",
                violation_error_message="Evidence is a photo, a reading or an excerpt: exactly one of them.",
            ),
        ]

    def __str__(self) -> str:
        return self.excerpt[:60] or str(self.photo or self.reading)
