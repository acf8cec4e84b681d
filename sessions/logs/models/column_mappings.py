"""The last mapping of a logger's columns."""

from __future__ import annotations

from typing import Any

from django.db import models
from django.utils import timezone


class ColumnMapping(models.Model):
    """Files whose columns have the same names and units, written the same way, share a mapping."""

    signature = models.CharField(max_length=64, unique=True)
    mapping = models.JSONField(default=dict)
    used_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["-used_at"]

    def __str__(self) -> str:
        return f"Columns as on {self.used_at:%Y-%m-%d}"

    @classmethod
    def remember(cls, signature: str, mapping: dict[str, Any]) -> None:
        cls.objects.update_or_create(signature=signature, defaults={"mapping": mapping, "used_at": timezone.now()})
