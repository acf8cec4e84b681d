"""Imports of logs that wait or go on in the background."""

from __future__ import annotations

from typing import Any

from django.db import models
from django.db.models import Q
from django.utils import timezone

from sessions.logs.models.logs import Log


class LogImport(models.Model):
    """An import that is not done: it waits, goes on, could not be done, or was cancelled.

    It holds what a person chose, so that nothing has to be chosen again, and goes when the log is imported. Whoever
    works on it holds a claim, and has to say so before the claim runs out.
    """

    class State(models.TextChoices):
        WAITING = "waiting", "waits for its turn"
        RUNNING = "running", "is going on"
        FAILED = "failed", "could not be done"
        CANCELLED = "cancelled", "was cancelled"

    log = models.OneToOneField(Log, on_delete=models.CASCADE, related_name="pending_import")
    state = models.CharField(max_length=9, choices=State.choices, default=State.WAITING)
    layout = models.JSONField("how the file is written", default=dict, blank=True)
    mapping = models.JSONField("what its columns are taken for", default=dict, blank=True)
    claim = models.UUIDField(null=True, blank=True, editable=False)
    claimed_until = models.DateTimeField(null=True, blank=True, editable=False)
    attempts = models.PositiveSmallIntegerField(default=0)
    rows_read = models.PositiveIntegerField(default=0)
    bytes_read = models.PositiveBigIntegerField(default=0)
    asked_at = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        verbose_name = "import of a log"
        verbose_name_plural = "imports of logs"
        ordering = ["asked_at", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(state="running", claim__isnull=False, claimed_until__isnull=False)
                | (~Q(state="running") & Q(claim__isnull=True, claimed_until__isnull=True)),
                name="log_import_that_runs_is_claimed",
                violation_error_message="An import that is going on is claimed by a process; any other is not.",
            ),
        ]

    def __str__(self) -> str:
        return f"Import of {self.log}"

    @property
    def is_pending(self) -> bool:
        return self.state in (self.State.WAITING, self.State.RUNNING)

    @property
    def percent(self) -> int:
        """How much of the file is read. The last hundredth is storing."""
        return min(int(100 * self.bytes_read / max(self.log.size_bytes, 1)), 99)

    @property
    def as_json(self) -> dict[str, Any]:
        return {"state": self.state, "percent": self.percent, "rows": self.rows_read, "sentence": self.sentence}

    @property
    def sentence(self) -> str:
        if self.state == self.State.RUNNING:
            again = " It was broken off and began again." if self.attempts > 1 else ""
            if not self.rows_read:
                return f"The import begins.{again}"
            return f"{self.percent} % of the file is read, {self.rows_read:,} rows so far.{again}"
        return {
            self.State.WAITING: "The import waits for its turn.",
            self.State.CANCELLED: "The import was cancelled.",
            self.State.FAILED: "The import could not be done.",
        }[self.State(self.state)]
