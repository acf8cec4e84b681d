"""Who made a record on this installation, and when."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.db import models
from django.utils import timezone

from buildlog.people import current_account
from buildlog.storage.columns import column_of


class MadeRecord(models.Model):
    """A record that knows its maker: the account that was signed in when it was made here.

    Unknown (null) for what was stored before makers were kept, for what a command wrote, and for what
    came in with an archive or a file of another account. Unknown is nobody's own.
    """

    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        on_delete=models.SET_NULL,
        null=True,
        blank=True,
        editable=False,
        default=current_account.maker_id,
        # Looked at on a record at hand, never searched for.
        db_index=False,
        related_name="+",
    )
    made_at = models.DateTimeField(null=True, blank=True, editable=False, default=timezone.now)

    class Meta:
        abstract = True

    def came_from_elsewhere(self, made_at: Any) -> None:
        """Forget who makes it here: it was made on another installation, at a time that may be unknown."""
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
