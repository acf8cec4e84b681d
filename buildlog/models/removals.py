"""Which records were removed on purpose, so that whoever still has a copy can tell that from a loss."""

from __future__ import annotations

from django.db import models
from django.utils import timezone


class RemovedRecord(models.Model):
    """The key of a record that somebody removed, and nothing of its content."""

    key = models.UUIDField(primary_key=True)
    kind = models.CharField(max_length=60)
    removed_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["-removed_at", "key"]

    def __str__(self) -> str:
        return f"{self.kind}, removed {self.removed_at:%Y-%m-%d %H:%M}"
