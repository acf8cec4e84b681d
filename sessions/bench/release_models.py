"""Release of a revision: points that were accepted, and what stood open, mended or accepted when it went to riding."""

from __future__ import annotations

import uuid

from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from buildlog.machines.models import Revision
from buildlog.records.models import MadeRecord


class AcceptedPoint(MadeRecord):
    """An open point that a person takes upon themselves, with a reason.

    It holds while the point says the same; one that was accepted for one outing is used up by the session that begins
    next.
    """

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    revision = models.ForeignKey(Revision, on_delete=models.CASCADE, related_name="accepted_points")
    point = models.CharField("which point", max_length=120)
    title = models.CharField("what it was called", max_length=160)
    sentence = models.CharField("what it said", max_length=600)
    reason = models.CharField("why it is ridden all the same", max_length=300)
    accepted_by = models.CharField("who accepted it", max_length=150, blank=True)
    accepted_at = models.DateTimeField("when", default=timezone.now)
    for_one_outing = models.BooleanField("for one outing", default=False)

    class Meta:
        ordering = ["-accepted_at", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(reason=""),
                name="accepted_point_has_a_reason",
                violation_error_message="Say why it is ridden all the same, for example: walking pace, on the shore.",
            ),
        ]

    def __str__(self) -> str:
        return self.title

    def get_absolute_url(self) -> str:
        return reverse("revision_release", args=[self.revision_id])


class Release(MadeRecord):
    """That a revision went to riding: by whom, when, and with which points settled how."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    revision = models.ForeignKey(Revision, on_delete=models.CASCADE, related_name="releases")
    released_by = models.CharField("who released it", max_length=150, blank=True)
    released_at = models.DateTimeField("when", default=timezone.now)
    points = models.JSONField("points that were accepted", default=list, blank=True)

    class Meta:
        ordering = ["-released_at", "pk"]

    def __str__(self) -> str:
        return f"Released {self.released_at:%Y-%m-%d}"

    def get_absolute_url(self) -> str:
        return reverse("revision_release", args=[self.revision_id])
