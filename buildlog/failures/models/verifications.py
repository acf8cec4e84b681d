"""What shows a fix other than riding, and what people sign of a failure mode."""

from __future__ import annotations

import uuid

from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from buildlog.failures.models.failures import Modification
from buildlog.failures.models.modes import FailureMode
from buildlog.machines.models import Vehicle
from buildlog.records.models import MadeRecord


def today() -> object:
    return timezone.localdate()


class Verification(MadeRecord):
    """An inspection, a test in steps or a calculation that shows that a fix does what it should."""

    class Kind(models.TextChoices):
        INSPECTION = "inspection", "Inspection"
        BENCH_TEST = "bench_test", "Test in steps: on the bench, or slow and with instruments"
        CALCULATION = "calculation", "Calculation"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    modification = models.ForeignKey(Modification, on_delete=models.CASCADE, related_name="verifications")
    kind = models.CharField("how it was shown", max_length=12, choices=Kind.choices)
    done_on = models.DateField("when", default=today)
    done_by = models.CharField("who did it", max_length=80)
    finding = models.TextField("what was done, and what it showed", max_length=2000)
    photo = models.ForeignKey(
        "buildlog.Photo", on_delete=models.SET_NULL, null=True, blank=True, related_name="verifications"
    )

    class Meta:
        ordering = ["modification_id", "done_on", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(finding=""),
                name="verification_says_what",
                violation_error_message="Say what was done and what it showed, for example: weld dye-tested, no crack.",
            ),
            models.CheckConstraint(
                condition=~Q(done_by=""),
                name="verification_says_who",
                violation_error_message="Say who did it.",
            ),
        ]

    def __str__(self) -> str:
        short = {"bench_test": "Test in steps"}.get(self.kind) or self.get_kind_display()
        return f"{short} of “{self.modification}”, {self.done_on:%Y-%m-%d}"

    def get_absolute_url(self) -> str:
        return self.modification.get_absolute_url()


class SignOff(MadeRecord):
    """A person's word on a mode of one machine: that a fix of it has held, or that none will be made.

    It counts only while the records bear it out. `failures` and `fixes` say what was on record then: of the mode, and
    fixes judged together.
    """

    class Kind(models.TextChoices):
        HELD = "held", "The fix has held"
        CLOSED = "closed_without_fix", "Closed without a fix"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    vehicle = models.ForeignKey(Vehicle, on_delete=models.CASCADE, related_name="sign_offs")
    mode = models.ForeignKey(FailureMode, on_delete=models.PROTECT, related_name="sign_offs")
    kind = models.CharField(max_length=18, choices=Kind.choices)
    modification = models.ForeignKey(
        Modification, on_delete=models.CASCADE, null=True, blank=True, related_name="sign_offs"
    )
    why = models.CharField("why", max_length=500)
    signed_by = models.CharField("who signed", max_length=150, blank=True)
    signed_at = models.DateTimeField("when", default=timezone.now)
    failures = models.PositiveIntegerField("failures of the mode on record then", default=0)
    fixes = models.PositiveIntegerField("fixes judged together then", default=1)

    class Meta:
        ordering = ["vehicle_id", "signed_at", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(why=""),
                name="sign_off_says_why",
                violation_error_message="Say why, for example: ridden far enough without it.",
            ),
            models.CheckConstraint(
                condition=Q(kind="held", modification__isnull=False)
                | Q(kind="closed_without_fix", modification__isnull=True),
                name="sign_off_names_the_fix_that_held",
                violation_error_message="A fix that has held is named; what is closed without a fix has none.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}: {self.mode}"

    def get_absolute_url(self) -> str:
        return reverse("vehicle_bench", args=[self.vehicle_id])
