"""Devices that come in by themselves, each for one machine, and what each may do there."""

from __future__ import annotations

import hashlib
import secrets
from typing import Any

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils import timezone

from buildlog.storage.columns import label_of


class DeviceToken(models.Model):
    """The key of one device. Only its hash is stored; the key itself is shown once."""

    name = models.CharField("what it is", max_length=80)
    vehicle = models.ForeignKey(
        "buildlog.Vehicle",
        on_delete=models.CASCADE,
        related_name="device_tokens",
        verbose_name="the machine it rides on",
    )
    account = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="device_tokens", editable=False
    )
    may_add_readings = models.BooleanField("adds readings", default=True)
    may_log = models.BooleanField("logs in the field: sessions, passes, readings, checks, failures", default=False)
    may_read = models.BooleanField("reads the machine's records", default=False)
    token_hash = models.CharField(max_length=64, unique=True, editable=False)
    made_at = models.DateTimeField(default=timezone.now, editable=False)
    last_used_at = models.DateTimeField(null=True, blank=True, editable=False)
    revoked_at = models.DateTimeField(null=True, blank=True, editable=False)

    RIGHTS = ("may_add_readings", "may_log", "may_read")

    class Meta:
        ordering = ["-made_at"]
        constraints = [
            models.CheckConstraint(
                condition=Q(may_add_readings=True) | Q(may_log=True) | Q(may_read=True),
                name="device_has_a_right",
                violation_error_message="Choose at least one thing the device may do.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def rights(self) -> list[str]:
        """What the key lets the device do, in words."""
        return [label_of(self, name) for name in self.RIGHTS if getattr(self, name)]

    @staticmethod
    def hash_of(token: str) -> str:
        return hashlib.sha256(token.encode()).hexdigest()

    @classmethod
    def issue(cls, **told: Any) -> tuple[DeviceToken, str]:
        """Store a new device and return its key, which is not stored."""
        token = secrets.token_urlsafe(32)
        return cls.objects.create(token_hash=cls.hash_of(token), **told), token

    @classmethod
    def open_for(cls, token: str) -> DeviceToken | None:
        found = cls.objects.filter(token_hash=cls.hash_of(token), revoked_at__isnull=True, account__is_active=True)
        return found.select_related("account", "vehicle").first()
