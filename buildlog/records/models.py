"""Who made, changed and removed a record on this installation, and when."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.db import models
from django.utils import timezone

from buildlog.people import current_account
from buildlog.storage.columns import column_of


class MadeRecord(models.Model):
    """A record with its maker: the account that was signed in when it was made here.

    Unknown (null) for records stored before makers were recorded, written by a command, or imported with an
    archive or a file of another account. A record of unknown maker is nobody's own.
    """

    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        on_delete=models.SET_NULL,
        null=True,
        blank=True,
        editable=False,
        default=current_account.maker_id,
        # Read from a record, never searched for.
        db_index=False,
        related_name="+",
    )
    made_at = models.DateTimeField(null=True, blank=True, editable=False, default=timezone.now)

    class Meta:
        abstract = True

    def came_from_elsewhere(self, made_at: Any) -> None:
        """Clear the maker of an imported record: it was made on another installation, at a time that may be unknown."""
        self.made_by = None
        if column_of(self, "made_at").null:
            self.made_at = made_at


class RemovedRecord(models.Model):
    """The key of a record that somebody removed, and nothing of its content."""

    key = models.UUIDField(primary_key=True)
    kind = models.CharField(max_length=60)
    removed_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["-removed_at", "key"]

    def __str__(self) -> str:
        return f"{self.kind}, removed {self.removed_at:%Y-%m-%d %H:%M}"


class Change(models.Model):
    """What a kept state of records is: how it came about, and from where. When and who are in the revision."""

    class Act(models.TextChoices):
        MADE = "made", "As it was made"
        STOOD = "stood", "As it stood, changed meanwhile in a way that keeps no history"
        CHANGED = "changed", "Changed"
        UNDONE = "undone", "Last change undone"
        REMOVED = "removed", "Deleted"
        RESTORED = "restored", "Restored"

    class Source(models.TextChoices):
        FORM = "form", "a form"
        PHONE = "phone", "the phone's page"
        API = "api", "the API"
        KEY = "key", "a device's key"
        FILE = "file", "a file"
        COMMAND = "command", "a command"

    revision = models.OneToOneField(
        "reversion.Revision", on_delete=models.CASCADE, primary_key=True, related_name="change"
    )
    act = models.CharField(max_length=10, choices=Act)
    source = models.CharField(max_length=10, choices=Source, blank=True)

    def __str__(self) -> str:
        return self.get_act_display()


class Removal(models.Model):
    """Records that were deleted together, and can be restored until the trash is emptied of them.

    `model` and `key` are of the record that was deleted; the others hung on it. The states of all are in `revision`.
    `links` names what pointed to them and lost that: label of the model, key, name of the column, and the key that
    stood there; for a table of links, its two columns. `files` names the stored files that they have, which stay as
    long.
    """

    revision = models.OneToOneField(
        "reversion.Revision", on_delete=models.CASCADE, primary_key=True, related_name="removal"
    )
    model = models.CharField(max_length=60)
    key = models.CharField(max_length=40)
    kind = models.CharField(max_length=60)
    name = models.CharField(max_length=200)
    counts = models.JSONField(default=dict)
    links = models.JSONField(default=list)
    files = models.JSONField(default=list)
    removed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.SET_NULL, null=True, blank=True, related_name="+", db_index=False
    )
    removed_at = models.DateTimeField(default=timezone.now, db_index=True)

    class Meta:
        ordering = ["-removed_at"]

    def __str__(self) -> str:
        return f"{self.name}, deleted {self.removed_at:%Y-%m-%d %H:%M}"
