"""Failure modes: one vocabulary of this installation, in which a thing has one name."""

from __future__ import annotations

import uuid
from typing import Any

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from buildlog.records.models import MadeRecord
from calc.mode_names import as_typed, one_form


class OneForm(models.CharField):  # type: ignore[type-arg]
    """The form in which names are compared. It follows from the name whenever a record is stored."""

    def pre_save(self, model_instance: models.Model, add: bool) -> Any:
        key = one_form(vars(model_instance)["name"])[: self.max_length]
        setattr(model_instance, self.attname, key)
        return key


class FailureMode(MadeRecord):
    """One entry of this installation's vocabulary of failures, which grows as people type."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    name = models.CharField(max_length=80, unique=True)
    key = OneForm("name in the form in which names are compared", max_length=240, unique=True, editable=False)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("failure_mode", args=[self.pk])

    def clean(self) -> None:
        self.name = as_typed(self.name)
        if not one_form(self.name):
            raise ValidationError({"name": "Say what failed, for example: chain came off."})
        same = FailureMode.named(self.name)
        if same is not None and same.pk != self.pk:
            raise ValidationError({"name": f"“{same}” is the same mode. Join the two instead."})

    @classmethod
    def named(cls, name: str) -> FailureMode | None:
        """The mode of that name, or the one that it was joined to or renamed to; None for a new name."""
        key = one_form(name)
        stored: FailureMode | None = FailureMode.objects.filter(key=key).first()
        if stored is None:
            earlier = ModeChange.objects.filter(old_key=key).select_related("mode").order_by("-changed_at").first()
            stored = earlier.mode if earlier else None
        return stored

    @classmethod
    def called(cls, name: str) -> FailureMode:
        """The mode of that name, created if it is new; case, spaces, dots and the form of letters are ignored."""
        return cls.named(name) or cls.objects.create(name=as_typed(name))


class ModeChange(models.Model):
    """A mode that was renamed, or joined to another: who, when, and which failures moved."""

    keeps_history = True

    class Kind(models.TextChoices):
        RENAMED = "renamed", "Renamed"
        JOINED = "joined", "Joined"

    mode = models.ForeignKey(FailureMode, on_delete=models.CASCADE, related_name="mode_changes")
    kind = models.CharField(max_length=8, choices=Kind.choices)
    old_name = models.CharField(max_length=80)
    old_key = models.CharField(max_length=240, db_index=True)
    old_mode = models.UUIDField("key of the mode that was joined", null=True, blank=True)
    failures = models.JSONField("keys of the failures that moved", default=list)
    changed_at = models.DateTimeField(default=timezone.now)
    account = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.SET_NULL, null=True, blank=True)

    class Meta:
        ordering = ["-changed_at", "-pk"]
        constraints = [
            models.CheckConstraint(condition=~Q(old_name=""), name="mode_change_names_what_was"),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}: {self.old_name}"
