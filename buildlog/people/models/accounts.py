"""Accounts, and the one-time invitations by which people join."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Iterator
from datetime import timedelta
from typing import Any, ClassVar

from django.conf import settings
from django.contrib.auth.models import AbstractUser, UserManager
from django.db import models
from django.db.models import Q
from django.utils import timezone

from buildlog.people.roles import Right, Role, roles_with
from buildlog.quantities.decimal_sign import POINT, SIGNS


class UnitSystem(models.TextChoices):
    METRIC = "metric", "Metric (m, km/h, kg, °C)"
    IMPERIAL = "imperial", "Imperial (ft, mph, lb, °F)"


class Accounts(UserManager["Account"]):
    def create_superuser(self, *args: Any, **fields: Any) -> Account:
        return super().create_superuser(*args, **{**fields, "role": Role.OWNER})


class Account(AbstractUser):
    role = models.CharField(max_length=10, choices=Role.choices, default=Role.READER)
    unit_system = models.CharField("units shown", max_length=10, choices=UnitSystem.choices, default=UnitSystem.METRIC)
    decimal_sign = models.CharField("decimal sign", max_length=1, choices=SIGNS, default=POINT)
    session_generation = models.PositiveIntegerField(default=0, editable=False)
    """Incremented to end every sign-in of the account at once, on all workers."""

    objects: ClassVar[Accounts] = Accounts()

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(role__in=Role.values), name="account_role_is_known"),
            models.CheckConstraint(condition=Q(unit_system__in=UnitSystem.values), name="account_unit_system_is_known"),
            models.CheckConstraint(
                condition=Q(decimal_sign__in=[sign for sign, _ in SIGNS]), name="account_decimal_sign_is_known"
            ),
            models.CheckConstraint(
                condition=Q(role=Role.OWNER, is_staff=True, is_superuser=True)
                | (~Q(role=Role.OWNER) & Q(is_staff=False, is_superuser=False)),
                name="account_back_room_is_the_owners",
            ),
        ]

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Set the framework's staff and superuser flags from the role."""
        self.is_staff = self.is_superuser = self.role == Role.OWNER
        only = kwargs.get("update_fields")
        if only is not None and "role" in only:
            kwargs["update_fields"] = {*only, "is_staff", "is_superuser"}
        super().save(*args, **kwargs)

    def get_session_auth_hash(self) -> str:
        return self._of_this_generation(super().get_session_auth_hash())

    def get_session_auth_fallback_hash(self) -> Iterator[str]:
        return (self._of_this_generation(password_hash) for password_hash in super().get_session_auth_fallback_hash())

    def _of_this_generation(self, password_hash: str) -> str:
        # The first generation is the hash alone, so that sign-ins older than this counter stay valid.
        return f"{password_hash}:{self.session_generation}" if self.session_generation else password_hash


class Invitation(models.Model):
    """A link that makes one account. Only the hash of its token is stored."""

    token_hash = models.CharField(max_length=64, unique=True, editable=False)
    role = models.CharField(max_length=10, choices=Role.choices)
    expires_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True, blank=True)
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.CASCADE, null=True, blank=True, editable=False, related_name="+"
    )
    """The owner who invites; None when a command made the invitation."""

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(role__in=Role.values), name="invitation_role_is_known"),
        ]

    def __str__(self) -> str:
        return f"Invitation as {self.role}, until {self.expires_at:%Y-%m-%d %H:%M}"

    @staticmethod
    def hash_of(token: str) -> str:
        return hashlib.sha256(token.encode()).hexdigest()

    @classmethod
    def issue(cls, role: str, made_by: Account | None = None, valid_for: timedelta = timedelta(days=3)) -> str:
        """Store a new invitation and return its token, which is not stored."""
        token = secrets.token_urlsafe(32)
        expires_at = timezone.now() + valid_for
        cls.objects.create(token_hash=cls.hash_of(token), role=role, made_by=made_by, expires_at=expires_at)
        return token

    @classmethod
    def open(cls) -> models.QuerySet[Invitation]:
        """Valid invitations: not used, not expired, and made by somebody who may still admit others."""
        valid_maker = Q(made_by__isnull=True) | Q(made_by__is_active=True, made_by__role__in=roles_with(Right.ADMIT))
        return cls.objects.filter(valid_maker, used_at__isnull=True, expires_at__gt=timezone.now())

    @classmethod
    def open_for(cls, token: str) -> Invitation | None:
        return cls.open().filter(token_hash=cls.hash_of(token)).first()
