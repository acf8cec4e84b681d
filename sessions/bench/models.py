"""Test cards: the plan of a session, written at home and ticked off out there."""

from __future__ import annotations

import uuid

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from buildlog.machines.models import Revision
from buildlog.records.models import MadeRecord
from sessions.outings.models import Session
from sessions.trials.models import Trial


class TestCard(MadeRecord):
    """What to try with one revision, within which limits, and what stops the day."""

    # Keeps pytest from collecting this class as a test.
    __test__ = False
    history_parts = {"items": "Line"}

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    revision = models.ForeignKey(Revision, on_delete=models.CASCADE, related_name="test_cards")
    title = models.CharField(max_length=120)
    limits = models.TextField("limits to keep", blank=True, max_length=2000)
    stops_the_day = models.TextField("what stops the day", blank=True, max_length=2000)
    made_at = models.DateTimeField(default=timezone.now, editable=False)
    closed = models.BooleanField("put away", default=False)
    trial = models.ForeignKey(
        Trial, on_delete=models.SET_NULL, null=True, blank=True, editable=False, related_name="test_cards"
    )

    class Meta:
        ordering = ["-made_at"]

    def __str__(self) -> str:
        return self.title

    def get_absolute_url(self) -> str:
        return reverse("test_card", args=[self.pk])

    def clean(self) -> None:
        if self.trial is not None and self.revision_id and self.trial.revision_id != self.revision_id:
            label = self.trial.revision.label
            raise ValidationError({"revision": f"This card plans a day of a trial, which is ridden with {label}."})

    @property
    def open_count(self) -> int:
        return sum(item.outcome == TestCardItem.Outcome.OPEN for item in self.items.all())


class TestCardItem(MadeRecord):
    """One thing to try. Ticked off, it names the session in which it was done, or was given up."""

    __test__ = False

    class Outcome(models.TextChoices):
        OPEN = "open", "Open"
        DONE = "done", "Done"
        SKIPPED = "skipped", "Skipped"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    card = models.ForeignKey(TestCard, on_delete=models.CASCADE, related_name="items")
    position = models.PositiveSmallIntegerField(default=1)
    what = models.CharField("what to try", max_length=300)
    why = models.CharField("what it would tell", max_length=300, blank=True)
    outcome = models.CharField(max_length=8, choices=Outcome.choices, default=Outcome.OPEN)
    session = models.ForeignKey(
        Session, on_delete=models.SET_NULL, null=True, blank=True, related_name="test_card_items"
    )

    class Meta:
        ordering = ["card_id", "position"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(outcome="open") | Q(session__isnull=True),
                name="test_card_item_open_has_no_session",
                violation_error_message="What is still open was done in no session yet.",
            ),
        ]

    def __str__(self) -> str:
        return self.what

    def in_history(self, unit_system: str) -> str:
        outcome = "" if self.outcome == self.Outcome.OPEN else f" ({self.get_outcome_display().lower()})"
        return f"{self.what}{f' — {self.why}' if self.why else ''}{outcome}"

    def clean(self) -> None:
        if self.session is not None and self.session.revision.vehicle_id != self.card.revision.vehicle_id:
            raise ValidationError({"session": "That session was ridden with another machine."})
