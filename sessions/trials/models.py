"""Trials: a question about one revision against another on one measure, with the days planned for it."""

from __future__ import annotations

import uuid
from datetime import datetime, time, timedelta

from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q
from django.urls import reverse
from django.utils import timezone

from buildlog.failures.models import Modification
from buildlog.machines.models import Revision
from buildlog.records.models import MadeRecord
from calc.trials.answers import Answer
from calc.trials.looks import LEAST_VALUES, PLANNED_VALUES
from calc.trials.plan import MOST_VALUES
from sessions.outings.models import Session
from sessions.trials.measures import EXPECTED, FIRST, MEASURES, Measure


class Trial(MadeRecord):
    """A question that somebody means to settle by riding.

    The question never changes, and the plan is frozen at the first session that counts: a plan that follows what was
    measured promises nothing. `counts_from` is the first day whose sessions of the revision count; None where all do.
    `tells`, `spread` and `chance_of_none` are what the plan said before the first of them: the change that it would
    show, the spread between days that this rests on, and the chance to show that there is no difference that matters.
    The decision is kept as it was on its day, with the standard error by which a corrected fact is noticed.
    """

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    revision = models.ForeignKey(Revision, on_delete=models.CASCADE, related_name="trials")
    against = models.ForeignKey(Revision, on_delete=models.CASCADE, related_name="trials_against")
    measure = models.CharField(max_length=32, choices=[(key, measure.label) for key, measure in MEASURES.items()])
    modification = models.ForeignKey(
        Modification, on_delete=models.SET_NULL, null=True, blank=True, related_name="trials", verbose_name="asked by"
    )
    planned_days = models.PositiveSmallIntegerField(
        "days planned with the first of the two",
        default=PLANNED_VALUES,
        validators=[MinValueValidator(LEAST_VALUES), MaxValueValidator(MOST_VALUES)],
    )
    both_builds = models.BooleanField("both are ridden on each of these days", default=False)
    note = models.TextField(blank=True, max_length=2000)
    opened_on = models.DateField(default=timezone.localdate, editable=False)
    counts_from = models.DateField(null=True, blank=True, editable=False)
    closed_on = models.DateField(null=True, blank=True, editable=False)
    tells = models.FloatField(null=True, blank=True, editable=False)
    spread = models.FloatField(null=True, blank=True, editable=False)
    chance_of_none = models.FloatField(null=True, blank=True, editable=False)
    decided_on = models.DateField(null=True, blank=True, editable=False)
    decided_answer = models.CharField(
        max_length=32,
        blank=True,
        editable=False,
        choices=[(str(answer), str(answer)) for answer in (Answer.HIGHER, Answer.LOWER, Answer.NO_DIFFERENCE)],
    )
    decided_change = models.FloatField(null=True, blank=True, editable=False)
    decided_lower = models.FloatField(null=True, blank=True, editable=False)
    decided_upper = models.FloatField(null=True, blank=True, editable=False)
    decided_confidence = models.FloatField(null=True, blank=True, editable=False)
    decided_standard_error = models.FloatField(null=True, blank=True, editable=False)
    decided_days = models.PositiveSmallIntegerField(null=True, blank=True, editable=False)
    decided_against_days = models.PositiveSmallIntegerField(null=True, blank=True, editable=False)

    QUESTION = ("revision_id", "against_id", "measure", "opened_on", "counts_from")
    PLAN = ("planned_days", "both_builds")

    class Meta:
        ordering = ["-opened_on", "id"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(revision=F("against")),
                name="trial_compares_two",
                violation_error_message="A trial compares two different revisions.",
            ),
            models.CheckConstraint(
                condition=Q(planned_days__gte=LEAST_VALUES, planned_days__lte=MOST_VALUES),
                name="trial_plan_is_possible",
                violation_error_message=f"Plan {LEAST_VALUES} to {MOST_VALUES} days, for example {PLANNED_VALUES}.",
            ),
            models.CheckConstraint(
                condition=(
                    Q(
                        decided_on__isnull=True,
                        decided_answer="",
                        decided_change__isnull=True,
                        decided_days__isnull=True,
                    )
                    | (
                        Q(decided_on__isnull=False, decided_days__isnull=False, decided_against_days__isnull=False)
                        & ~Q(decided_answer="")
                        & Q(decided_lower__lte=F("decided_change"), decided_change__lte=F("decided_upper"))
                        & Q(decided_confidence__gt=0, decided_confidence__lte=1, decided_standard_error__gte=0)
                    )
                ),
                name="trial_decision_is_whole",
                violation_error_message="A decision has a day, an answer and the figures that gave it.",
            ),
            models.CheckConstraint(
                condition=Q(tells__isnull=True) | Q(tells__gt=0),
                name="trial_tells_a_change",
            ),
            models.CheckConstraint(
                condition=(Q(spread__isnull=True) | Q(spread__gt=0))
                & (Q(chance_of_none__isnull=True) | Q(chance_of_none__gte=0, chance_of_none__lte=1)),
                name="trial_plan_rests_on_a_spread",
            ),
            models.UniqueConstraint(
                fields=["revision", "against", "measure"],
                condition=Q(closed_on__isnull=True, decided_on__isnull=True),
                name="trial_question_is_open_once",
                violation_error_message="There is an open trial of this question already. Close it first.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.asks.label}: {self.revision.label} against {self.against.label}"

    def get_absolute_url(self) -> str:
        return reverse("trial", args=[self.pk])

    @property
    def asks(self) -> Measure:
        return MEASURES[self.measure]

    @property
    def is_open(self) -> bool:
        return self.decided_on is None and self.closed_on is None

    @property
    def state(self) -> str:
        if self.decided_on is not None:
            return "decided"
        return "open" if self.closed_on is None else "closed"

    @property
    def counted_sessions(self) -> models.QuerySet[Session]:
        """Sessions of the revision that belong to it, whatever was measured in them."""
        sessions = Session.objects.filter(revision=self.revision_id)
        if self.counts_from is not None:
            midnight = timezone.make_aware(datetime.combine(self.counts_from, time.min))
            sessions = sessions.filter(started_at__gte=midnight)
        return sessions

    def clean(self) -> None:
        if self.revision_id is None or self.against_id is None:
            return
        if self.revision.vehicle_id != self.against.vehicle_id:
            raise ValidationError({"against": "The two revisions are of different machines."})
        if self.modification is not None and self.modification.revision_id != self.revision_id:
            raise ValidationError({"modification": f"That change was not made for {self.revision.label}."})
        stored = None if self._state.adding else Trial.objects.filter(pk=self.pk).first()
        if stored is not None:
            self._check_frozen(stored)
        elif self.is_open and self._same_question().filter(closed_on__isnull=True, decided_on__isnull=True).exists():
            raise ValidationError("There is an open trial of this question already. Close that one first.")

    def _same_question(self) -> models.QuerySet[Trial]:
        same = Trial.objects.filter(revision=self.revision_id, against=self.against_id, measure=self.measure)
        return same.exclude(pk=self.pk)

    def _check_frozen(self, stored: Trial) -> None:
        if any(getattr(self, name) != getattr(stored, name) for name in self.QUESTION):
            raise ValidationError("A trial keeps its question. Close this one, and open another.")
        changed = [name for name in self.PLAN if getattr(self, name) != getattr(stored, name)]
        if changed and stored.counted_sessions.exists():
            words = (
                "The plan is kept as it was before the first day: one that follows what was measured promises nothing."
            )
            raise ValidationError({changed[0]: words})

    def settle_what_counts(self) -> None:
        """Set which sessions of the revision count, for a trial that is being opened.

        All of them, where none was ridden yet, or where the machine's own pages have asked this since the first one,
        with the usual plan. Otherwise only those of the days after what was seen when it was opened: who asks after
        looking has looked already.
        """
        self.counts_from = None
        ridden = Session.objects.filter(revision=self.revision_id).order_by("-started_at").first()
        if ridden is None:
            return
        is_usual = self.planned_days == PLANNED_VALUES and not self.both_builds
        if (
            is_usual
            and not self._same_question().exists()
            and _machine_asks(self.revision, self.against_id, self.measure)
        ):
            return
        last = timezone.localtime(ridden.started_at).date()
        self.counts_from = self.opened_on if last < self.opened_on else last + timedelta(days=1)


def _machine_asks(revision: Revision, against: uuid.UUID, measure: str) -> bool:
    """Whether the machine's own pages ask this of their own accord, as `questions` does."""
    if revision.parent_id != against:
        return False
    expected = [str(key) for key, asked in EXPECTED.items() if asked.key == measure]
    if Modification.objects.filter(revision=revision, expected_measure__in=expected).exists():
        return True
    newest = Revision.objects.filter(vehicle=revision.vehicle_id, sessions__isnull=False).order_by("-number").first()
    return newest == revision and measure in {asked.key for asked in FIRST}
