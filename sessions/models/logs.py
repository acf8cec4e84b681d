"""Recordings of instruments: kept byte for byte, and read into columns."""

from __future__ import annotations

import uuid

from django.db import models
from django.urls import reverse
from django.utils import timezone

from buildlog.fields import QuantityField
from sessions.models.outings import Session


def _original_path(log: Log, _name: str) -> str:
    # The uploaded name is only shown, never used: nobody may choose where a file goes.
    return f"logs/{log.pk}.{log.kind}"


def _columns_path(log: Log, _name: str) -> str:
    return f"logs/{log.pk}.npz"


class Log(models.Model):
    """One recording of a session: the file as it came, its columns in one compact file, and their summary."""

    class Kind(models.TextChoices):
        GPX = "gpx", "Satellite track (GPX 1.1)"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    session = models.ForeignKey(Session, on_delete=models.CASCADE, related_name="logs")
    kind = models.CharField(max_length=3, choices=Kind.choices, default=Kind.GPX)
    name = models.CharField("name of the file", max_length=120)
    sha256 = models.CharField("SHA-256 of the file", max_length=64)
    size_bytes = models.PositiveBigIntegerField()
    original = models.FileField(upload_to=_original_path)
    columns = models.FileField(upload_to=_columns_path)
    first_at = models.DateTimeField(null=True, blank=True)
    row_count = models.PositiveIntegerField()
    length_m = QuantityField("length of the track", kind="trip", null=True, blank=True, high=1e8)
    duration_s = QuantityField("from the first to the last row", kind="runtime", null=True, blank=True, high=1e7)
    notes = models.JSONField(default=list, blank=True)
    stored_at = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        ordering = ["session", "first_at", "stored_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["session", "sha256"],
                name="log_is_stored_once_per_session",
                violation_error_message="This very file is stored with this session already.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("log", args=[self.pk])
