"""People who may come in, and the one-time links that let them."""

from __future__ import annotations

import hashlib
import secrets
from datetime import timedelta

from django.contrib.auth.models import AbstractUser
from django.db import models
from django.utils import timezone

from buildlog.roles import Role


class UnitSystem(models.TextChoices):
    METRIC = "metric", "Metric (m, km/h, kg, °C)"
    IMPERIAL = "imperial", "Imperial (ft, mph, lb, °F)"


class Account(AbstractUser):
    role = models.CharField(max_length=10, choices=Role.choices, default=Role.READER)
    unit_system = models.CharField("units shown", max_length=10, choices=UnitSystem.choices, default=UnitSystem.METRIC)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=models.Q(role__in=Role.values), name="account_role_is_known"),
            models.CheckConstraint(
                condition=models.Q(unit_system__in=UnitSystem.values), name="account_unit_system_is_known"
            ),
        ]


class Invitation(models.Model):
    """A link that makes one account. Only the hash of its token is stored."""

    token_hash = models.CharField(max_length=64, unique=True, editable=False)
    role = models.CharField(max_length=10, choices=Role.choices)
    expires_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=models.Q(role__in=Role.values), name="invitation_role_is_known"),
        ]

    def __str__(self) -> str:
        return f"Invitation as {self.role}, until {self.expires_at:%Y-%m-%d %H:%M}"

    @staticmethod
    def hash_of(token: str) -> str:
        return hashlib.sha256(token.encode()).hexdigest()

    @classmethod
    def issue(cls, role: str, valid_for: timedelta = timedelta(days=3)) -> str:
        """Store a new invitation and return its token, which is not stored."""
        token = secrets.token_urlsafe(32)
        cls.objects.create(token_hash=cls.hash_of(token), role=role, expires_at=timezone.now() + valid_for)
        return token

    @classmethod
    def open_for(cls, token: str) -> Invitation | None:
        return cls.objects.filter(
            token_hash=cls.hash_of(token), used_at__isnull=True, expires_at__gt=timezone.now()
        ).first()
