"""Forms of trials: the question is chosen once; the plan can be changed until the first day that counts."""

from __future__ import annotations

from typing import Any

from django import forms
from django.db import transaction

from buildlog.failures.models import Modification
from buildlog.machines.models import Revision
from buildlog.records.forms import RecordForm
from sessions.trials.models import Trial
from sessions.trials.plans import keep_plan

PLAN_HELP = {
    "planned_days": "Sessions of one day count as one. Fixed at the first of them.",
    "both_builds": "Changes of the build in between, A-B-B-A by days: ice and air of the day then cancel.",
}


class TrialForm(RecordForm[Trial]):
    """A trial that is being opened."""

    class Meta:
        model = Trial
        fields = ["measure", "revision", "against", "modification", "planned_days", "both_builds", "note"]
        labels = {"revision": "Is this one better?", "against": "Compared with"}
        help_texts = {
            **PLAN_HELP,
            "modification": "The change that should show in it, if one said so.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        revisions = Revision.objects.select_related("vehicle").order_by("vehicle__name", "-number")
        self.offer("revision", revisions)
        self.offer("against", revisions)
        changes = Modification.objects.select_related("revision").exclude(expected_measure="")
        self.offer(
            "modification",
            changes.order_by("-revision__number", "title"),
            lambda row: f"{row.revision.label}: {row.title}",
        )

    def save(self, commit: bool = True) -> Trial:
        with transaction.atomic():
            self.instance.settle_what_counts()
            trial = super().save()
            keep_plan(trial)
        return trial


class TrialPlanForm(RecordForm[Trial]):
    """The plan of a stored trial."""

    belongs_to = ("measure", "revision", "against")

    class Meta:
        model = Trial
        fields = ["planned_days", "both_builds", "note"]
        help_texts = PLAN_HELP
        widgets = {"note": forms.Textarea}

    def save(self, commit: bool = True) -> Trial:
        with transaction.atomic():
            is_new = self.instance._state.adding
            if is_new:
                self.instance.settle_what_counts()
            trial = super().save()
            if is_new or any(self.writes(name) for name in Trial.PLAN):
                keep_plan(trial)
        return trial
