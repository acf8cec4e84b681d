"""Failures, and the modifications that answer them."""

from __future__ import annotations

import uuid
from functools import cached_property
from typing import TYPE_CHECKING, Any

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from buildlog.failures.models.causes import Cause
from buildlog.failures.models.modes import FailureMode
from buildlog.machines.models import Part, Revision
from buildlog.quantities.fields import QuantityField
from buildlog.records.models import MadeRecord

if TYPE_CHECKING:
    from calc.failure_state import Standing


CATEGORIES = ("I", "II", "III", "IV")
"""Severities as they are written."""


class Failure(MadeRecord):
    """Something that stopped working or nearly hurt someone."""

    edited_with = ("cause",)
    """Records that a form of it changes too, each with a history of its own."""

    class Severity(models.IntegerChoices):
        CATASTROPHIC = 1, "I Catastrophic: someone was or could have been badly hurt, or the machine lost"
        CRITICAL = 2, "II Critical: injury possible, or major damage"
        MARGINAL = 3, "III Marginal: minor damage, or the ride was cut short"
        MINOR = 4, "IV Minor: a repair later, the ride went on"

    class Effect(models.TextChoices):
        NONE = "none", "Rode on as before"
        REDUCED = "reduced", "Rode on, reduced"
        ENDED = "ended", "Ended the ride"
        CRASH = "crash", "Crash or tip-over"

    class State(models.TextChoices):
        OPEN = "open", "Open"
        FIX_FITTED = "fix_fitted", "Fix fitted"
        WATCHING = "watching", "Watching"
        HELD = "held", "Held"
        RECURRED = "recurred", "Recurred"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    revision = models.ForeignKey(Revision, on_delete=models.CASCADE, related_name="failures")
    session = models.ForeignKey(
        "test_sessions.Session", on_delete=models.SET_NULL, null=True, blank=True, related_name="failures"
    )
    happened_at = models.DateTimeField("when", default=timezone.now)
    time_into_session_s = QuantityField(
        "time into the session",
        kind="runtime",
        null=True,
        blank=True,
        high=1e6,
        group="When in the session",
        short_label="Time into it",
    )
    distance_into_session_m = QuantityField(
        "distance into the session",
        kind="trip",
        null=True,
        blank=True,
        high=1e7,
        group="When in the session",
        short_label="Distance into it",
    )
    mode = models.ForeignKey(FailureMode, on_delete=models.PROTECT, related_name="failures")
    part = models.ForeignKey(
        Part, on_delete=models.SET_NULL, null=True, blank=True, related_name="failures", verbose_name="failed part"
    )
    severity = models.PositiveSmallIntegerField("severity category", choices=Severity.choices)
    effect = models.CharField("effect on the ride", max_length=10, choices=Effect.choices, default=Effect.NONE)
    conditions = models.TextField("what was going on", blank=True, max_length=2000)
    cause = models.ForeignKey(Cause, on_delete=models.SET_NULL, null=True, blank=True, related_name="failures")

    class Meta:
        ordering = ["-happened_at", "-id"]
        indexes = [
            # The list of all failures, and that of one revision.
            models.Index(fields=["happened_at", "id"], name="failure_by_time"),
            models.Index(fields=["revision", "happened_at", "id"], name="failure_by_revision_and_time"),
        ]
        constraints = [
            models.CheckConstraint(condition=Q(severity__range=(1, 4)), name="failure_severity_is_one_to_four"),
        ]

    def __str__(self) -> str:
        return f"{self.mode.name} on {self.revision.label}"

    def get_absolute_url(self) -> str:
        return reverse("failure", args=[self.pk])

    fixed_on: frozenset[uuid.UUID]
    """Revisions with fixes of it that nothing has disproved; set with its state."""
    first_of_kind: uuid.UUID | None
    """The first failure of its kind, if this one came although a fix was fitted; set by whoever works it out."""

    @cached_property
    def standing(self) -> Standing:
        """The state with its reasons, as its machine's records are now. Lists set it for all their rows at once."""
        from buildlog.failures.loop import standing_of

        return standing_of(self)

    @property
    def state(self) -> str:
        """Worked out, never stored: a key of `State`."""
        return str(self.standing.state)

    def get_state_display(self) -> str:
        return str(self.State(self.state).label)

    def refresh_from_db(self, *args: Any, **kwargs: Any) -> None:
        self.__dict__.pop("standing", None)
        super().refresh_from_db(*args, **kwargs)

    @property
    def severity_numeral(self) -> str:
        return CATEGORIES[self.severity - 1]

    def clean(self) -> None:
        if self.session is not None and self.revision_id and self.session.revision_id != self.revision_id:
            raise ValidationError({"session": "That session was ridden with another revision."})
        if self.cause is not None and self.revision_id and self.cause.vehicle_id != self.revision.vehicle_id:
            raise ValidationError({"cause": "That cause was found on another machine."})


class FailureChange(models.Model):
    """One step of a failure through its states, from when these were stored: who, when and why.

    Nothing writes steps any more, and no state follows from them; pages show them as history.
    """

    keeps_history = True

    class State(models.TextChoices):
        OPEN = "open", "Open"
        FIX_PLANNED = "fix_planned", "Fix planned"
        WATCHING = "watching", "Fix fitted, watching"
        HELD = "held", "Held"
        RECURRED = "recurred", "Recurred"

    failure = models.ForeignKey(Failure, on_delete=models.CASCADE, related_name="changes")
    from_state = models.CharField(max_length=12, choices=State.choices)
    to_state = models.CharField(max_length=12, choices=State.choices)
    changed_at = models.DateTimeField(default=timezone.now)
    account = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.SET_NULL, null=True, blank=True)
    why = models.CharField(max_length=500)

    class Meta:
        ordering = ["changed_at", "pk"]
        constraints = [
            models.CheckConstraint(condition=~Q(why=""), name="failure_change_says_why"),
            models.CheckConstraint(
                condition=~Q(from_state=models.F("to_state")), name="failure_change_changes_something"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_from_state_display()} → {self.get_to_state_display()}"


DIMENSIONS = ("track_width_m", "wheelbase_m", "rolling_circumference_m", "drive_ratio")
"""What a builder sets. Mass and centre of gravity follow from the parts."""


def named_in(changed: Any) -> frozenset[Any]:
    """What a modification names as changed: keys of parts, and names of dimensions."""
    return frozenset(name if name in DIMENSIONS else uuid.UUID(str(name)) for name in changed)


def parts_of(revision: Revision) -> models.QuerySet[Part]:
    """Parts that are fitted on a revision or on its parent."""
    return Part.objects.filter(fittings__revision__in=[revision.pk, revision.parent_id]).distinct()


class Modification(MadeRecord):
    """A change that made a revision, with its reason and what it is expected to do.

    `changed` has the keys of the parts, fitted here or on the parent, and the names of the dimensions that it changed:
    a later revision has a fix while it has these. Where none is named, what the revision changed in all decides.
    """

    history_lists = {"changed": (Part, Revision)}

    class Measure(models.TextChoices):
        TOP_SPEED = "top_speed", "Top speed"
        CONSUMPTION = "consumption", "Energy per km"
        RANGE = "range", "Range"
        FAILURE_RATE = "failure_rate", "Rate of a failure mode"
        STABILITY = "stability", "Static stability factor"

    class Direction(models.TextChoices):
        UP = "up", "goes up"
        DOWN = "down", "goes down"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    revision = models.ForeignKey(Revision, on_delete=models.CASCADE, related_name="modifications")
    title = models.CharField(max_length=160)
    reason = models.TextField(blank=True, max_length=2000)
    expected_measure = models.CharField("what it should change", max_length=14, choices=Measure.choices, blank=True)
    expected_direction = models.CharField("which way", max_length=4, choices=Direction.choices, blank=True)
    expected_amount_percent = models.FloatField("by how much, in per cent", null=True, blank=True)
    changed = models.JSONField("parts and dimensions that it changed", default=list, blank=True)
    answers = models.ManyToManyField(
        Failure, blank=True, related_name="answered_by", verbose_name="failures it answers"
    )

    class Meta:
        ordering = ["revision_id", "title"]
        constraints = [
            models.CheckConstraint(
                condition=Q(expected_amount_percent__isnull=True)
                | Q(expected_amount_percent__gt=0, expected_amount_percent__lte=1000),
                name="modification_amount_is_possible",
                violation_error_message="The expected amount is a percentage above 0 and at most 1000, for example 10.",
            ),
            models.CheckConstraint(
                condition=Q(expected_measure="", expected_direction="")
                | (~Q(expected_measure="") & ~Q(expected_direction="")),
                name="modification_expectation_is_whole",
                violation_error_message="Say both what should change and which way, or neither.",
            ),
        ]

    def __str__(self) -> str:
        return self.title

    def clean(self) -> None:
        if not self.changed or self.revision_id is None:
            return
        try:
            parts = {key for key in named_in(self.changed) if isinstance(key, uuid.UUID)}
        except (TypeError, ValueError):
            words = f"Give keys of parts and names of dimensions: {', '.join(DIMENSIONS)}."
            raise ValidationError({"changed": words}) from None
        self.changed = sorted(str(name) for name in named_in(self.changed))
        known = set(parts_of(self.revision).values_list("pk", flat=True)) if parts else set()
        if parts - known:
            raise ValidationError({"changed": f"Name parts that are fitted on {self.revision.label} or its parent."})

    def get_absolute_url(self) -> str:
        return self.revision.get_absolute_url()
