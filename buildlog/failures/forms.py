"""Forms for failures, and for the modifications that answer them."""

from __future__ import annotations

from typing import Any, cast

from django import forms
from django.core.exceptions import ValidationError

from buildlog.failures import session_choice
from buildlog.failures.models import Failure, FailureMode, Modification
from buildlog.failures.models.failures import DIMENSIONS, parts_of
from buildlog.machines.models import Revision
from buildlog.photos.forms import PhotographedForm
from buildlog.quantities.declared import quantity_names
from buildlog.records.forms import Making, RecordForm
from buildlog.records.moments import MomentInput
from buildlog.storage.columns import label_of
from calc.mode_names import one_form


class ModificationForm(RecordForm[Modification]):
    belongs_to = ("revision",)
    together = (("expected_measure", "expected_direction", "expected_amount_percent"),)
    groups = (("What it is expected to do", ("expected_measure", "expected_direction", "expected_amount_percent")),)
    changed = forms.MultipleChoiceField(
        label="What it changed",
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="A later revision counts as having the fix while it has these. Where none is named, all that the "
        "revision changed decides.",
    )

    class Meta:
        model = Modification
        fields = [
            "title",
            "reason",
            "answers",
            "changed",
            "expected_measure",
            "expected_direction",
            "expected_amount_percent",
        ]
        widgets = {"answers": forms.CheckboxSelectMultiple}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        parts = [(str(part.pk), part.name) for part in parts_of(self.instance.revision)]
        dimensions = [(name, label_of(Revision, name).capitalize()) for name in DIMENSIONS]
        cast(forms.MultipleChoiceField, self.fields["changed"]).choices = [*parts, *dimensions]
        failures = Failure.objects.filter(
            revision__vehicle=self.instance.revision.vehicle_id, revision__number__lt=self.instance.revision.number
        )
        self.offer(
            "answers",
            failures.select_related("mode", "revision__vehicle"),
            lambda failure: f"{failure} ({failure.happened_at:%Y-%m-%d})",
        )
        if not failures.exists():
            del self.fields["answers"]


class FailureForm(PhotographedForm[Failure]):
    photo_subject = "failure"
    mode_name = forms.CharField(
        label="What failed, in the words used before or new ones",
        max_length=80,
        widget=forms.TextInput(attrs={"list": "failure-modes", "autocomplete": "off", "data-near": "failure-modes"}),
        help_text="For example: chain came off. Case, spaces and dots make no difference.",
    )
    searched = ("session",)
    makes = {"part": Making("new_part_kind", "A new part …")}
    groups = (("When in the session", ("session", "happened_at", *quantity_names(Failure, "When in the session"))),)

    class Meta:
        model = Failure
        fields = [
            "revision",
            "mode_name",
            "part",
            "severity",
            "effect",
            "conditions",
            "session",
            "happened_at",
            *quantity_names(Failure),
        ]
        widgets = {"happened_at": MomentInput()}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.instance.mode_id:
            self.initial["mode_name"] = self.instance.mode.name
        self.offer("revision", Revision.objects.select_related("vehicle").order_by("vehicle__name", "-number"))
        self.offer_some("session", session_choice.sessions(), session_choice.matching, session_choice.EXAMPLE)
        self.modes = list(FailureMode.objects.values_list("name", flat=True))

    def clean_mode_name(self) -> str:
        name: str = self.cleaned_data["mode_name"]
        if not one_form(name):
            raise ValidationError("Say what failed, for example: chain came off.")
        return name

    def save(self, commit: bool = True) -> Failure:
        if self.writes("mode_name"):
            # The mode is created only now: a refused form must not leave a new mode behind.
            self.instance.mode = FailureMode.called(self.cleaned_data["mode_name"])
        return super().save(commit)
