"""Read-only links for people without an account; imports of old notebooks."""

from __future__ import annotations

import hashlib
import secrets
import uuid
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from buildlog.machines.models import Revision, Vehicle
from buildlog.people.roles import Right, has_right, roles_with
from buildlog.records.models import MadeRecord

LONGEST = timedelta(days=366)


class ShareLink(models.Model):
    """A link to one revision's report or one comparison. Only the hash of its token is stored."""

    token_hash = models.CharField(max_length=64, unique=True, editable=False)
    revision = models.ForeignKey(
        Revision, on_delete=models.CASCADE, null=True, blank=True, related_name="share_links", editable=False
    )
    comparison = models.CharField("the comparison's address", max_length=2000, blank=True, editable=False)
    hides_places = models.BooleanField("leave places out", default=True)
    hides_people = models.BooleanField("leave people's names out", default=True)
    made_at = models.DateTimeField(default=timezone.now, editable=False)
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="share_links", editable=False
    )
    expires_at = models.DateTimeField()
    revoked_at = models.DateTimeField(null=True, blank=True, editable=False)
    opened = models.PositiveIntegerField(default=0, editable=False)

    class Meta:
        ordering = ["-made_at"]
        constraints = [
            models.CheckConstraint(
                condition=(Q(revision__isnull=False) & Q(comparison=""))
                | (Q(revision__isnull=True) & ~Q(comparison="")),
                name="share_link_shows_one_thing",
            ),
        ]

    def __str__(self) -> str:
        return f"Link to {self.revision or 'a comparison'}, until {self.expires_at:%Y-%m-%d}"

    @staticmethod
    def hash_of(token: str) -> str:
        return hashlib.sha256(token.encode()).hexdigest()

    @classmethod
    def issue(cls, days: int, **subject: Any) -> tuple[ShareLink, str]:
        """Store a new link; its token is returned once, and is not stored."""
        token = secrets.token_urlsafe(32)
        until = timezone.now() + min(timedelta(days=days), LONGEST)
        return cls.objects.create(token_hash=cls.hash_of(token), expires_at=until, **subject), token

    @classmethod
    def open_for(cls, token: str) -> ShareLink | None:
        links = cls.objects.filter(
            token_hash=cls.hash_of(token),
            revoked_at__isnull=True,
            expires_at__gt=timezone.now(),
            made_by__is_active=True,
            made_by__role__in=roles_with(Right.BUILD),
        )
        return links.select_related("revision__vehicle__assumptions", "made_by").first()

    @property
    def is_open(self) -> bool:
        return self.revoked_at is None and self.expires_at > timezone.now()

    @property
    def is_stopped(self) -> bool:
        """Whether its maker has lost the right to share; with that right the link would work again until it expires."""
        return not self.made_by.is_active or not has_right(self.made_by, Right.BUILD)

    def revoke(self, at: datetime | None = None) -> None:
        self.revoked_at = at or timezone.now()
        self.save(update_fields=["revoked_at"])


class NotebookImport(MadeRecord):
    """Sessions from a spreadsheet: its cells, and what was made of them.

    It waits until somebody stores it, and can be undone for as long as nothing that it made was changed.
    """

    class State(models.TextChoices):
        WAITING = "waiting", "not stored yet"
        STORED = "stored", "stored"
        UNDONE = "undone", "undone"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    name = models.CharField("name of the file", max_length=120)
    vehicle = models.ForeignKey(Vehicle, on_delete=models.CASCADE, related_name="notebook_imports")
    cells = models.JSONField(default=list)
    state = models.CharField(max_length=7, choices=State.choices, default=State.WAITING)
    made_keys = models.JSONField("fingerprints of what it made, by kind and key", default=dict, blank=True)
    stored_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-made_at", "-id"]
        verbose_name = "import of a notebook"
        verbose_name_plural = "imports of notebooks"
        constraints = [
            models.CheckConstraint(
                condition=Q(state="waiting", stored_at__isnull=True)
                | (~Q(state="waiting") & Q(stored_at__isnull=False)),
                name="notebook_import_that_is_stored_says_when",
                violation_error_message="An import that was stored has its time; one that waits has none.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("notebook", args=[self.pk])
