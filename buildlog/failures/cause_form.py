"""The form for a failure's cause."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db import transaction

from buildlog.failures.models import Cause, Evidence, Failure
from buildlog.failures.models.causes import MOST_WHYS
from buildlog.photos.models import Photo
from buildlog.records import history
from buildlog.records.forms import RecordForm


class CauseForm(RecordForm[Failure]):
    """A known cause of the machine, or a new one. Changing a shared cause changes it for all its failures."""

    cause = forms.ModelChoiceField(Cause.objects.none(), required=False, label="A cause known already")
    statement = forms.CharField(
        required=False,
        max_length=300,
        label="The cause, in one sentence",
        help_text="For example: the idler spring loses its tension in the cold.",
    )
    whys = forms.CharField(
        required=False,
        widget=forms.Textarea,
        label="Why did it happen, and why that? One answer on each line",
        help_text=f"From what was seen to the cause; at most {MOST_WHYS} lines.",
    )
    confirmed = forms.BooleanField(required=False, label="Confirmed, not suspected: something below shows it")
    photo = forms.ModelChoiceField(Photo.objects.none(), required=False, label="Shown by a photo of this failure")
    reading = forms.ModelChoiceField(Evidence.reading.get_queryset().none(), required=False, label="Or by a reading")
    excerpt = forms.CharField(
        required=False, max_length=2000, widget=forms.Textarea, label="Or by an excerpt of a log, or a measurement"
    )
    can_be_recreated = False
    together = (("cause", "statement", "whys", "confirmed"),)
    groups = (
        ("What is behind it", ("cause", "statement", "whys")),
        ("What shows it", ("confirmed", "photo", "reading", "excerpt")),
    )

    class Meta:
        model = Failure
        fields = ["cause"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        failure = self.instance
        self.offer("cause", Cause.objects.filter(vehicle=failure.revision.vehicle))
        self.offer("photo", failure.photos.all())
        readings = Evidence.reading.get_queryset()
        has_session = failure.session_id is not None
        self.offer("reading", readings.filter(session=failure.session_id) if has_session else readings.none())
        self.record_choice("cause").empty_label = "A new one, written below"
        for name in ("photo", "reading"):
            self.record_choice(name).empty_label = "None"
        cause = failure.cause
        if cause is not None:
            self.initial.update(
                {"statement": cause.statement, "whys": "\n".join(cause.whys), "confirmed": cause.confirmed}
            )

    @classmethod
    def lock(cls, record: Failure) -> None:
        # Other failures may share the cause.
        if record.cause_id is not None:
            Cause.objects.select_for_update().filter(pk=record.cause_id).first()

    def clean_whys(self) -> list[str]:
        return [line.strip() for line in self.cleaned_data["whys"].splitlines() if line.strip()]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        chosen, statement = cleaned.get("cause"), (cleaned.get("statement") or "").strip()
        if chosen is None and not statement:
            self.add_error("statement", "Write the cause in one sentence, or choose one that is known already.")
            return cleaned
        if chosen is not None and chosen != self.initial_cause():
            # A chosen cause is used as it is; the text below belonged to another one.
            self.chosen_cause = chosen
        else:
            self.chosen_cause = self.initial_cause() or Cause(vehicle=self.instance.revision.vehicle)
            self.chosen_cause.statement, self.chosen_cause.whys = statement, cleaned.get("whys") or []
        self.chosen_cause.confirmed = bool(cleaned.get("confirmed"))
        evidence = [name for name in ("photo", "reading", "excerpt") if cleaned.get(name)]
        has_evidence = bool(evidence) or (self.chosen_cause.pk and self.chosen_cause.evidence.exists())
        if self.chosen_cause.confirmed and not has_evidence:
            self.add_error("confirmed", "A confirmed cause needs what shows it: a photo, a reading or an excerpt.")
        try:
            self.chosen_cause.clean()
        except ValidationError as error:
            self.add_error("whys", error.messages[0])
        return cleaned

    def initial_cause(self) -> Cause | None:
        key = self.initial.get("cause")
        return Cause.objects.filter(pk=key).first() if key else None

    def _post_clean(self) -> None:
        # The failure is validated once its cause is stored; `clean` has checked the rest.
        self.instance.cause_id = self.initial.get("cause")

    def save(self, commit: bool = True) -> Failure:
        with transaction.atomic():
            self._store_cause()
            for name in ("photo", "reading", "excerpt"):
                if self.cleaned_data.get(name):
                    Evidence.objects.create(cause=self.chosen_cause, **{name: self.cleaned_data[name]})
            self.instance.cause = self.chosen_cause
            self.instance.save()
        return self.instance

    def _store_cause(self) -> None:
        """With its own history: a cause belongs to all the failures that share it."""
        stored = Cause.objects.select_for_update().filter(pk=self.chosen_cause.pk).first()
        if stored is None:
            self.chosen_cause.save()
            return
        with history.changing(stored) as change:
            self.chosen_cause.save()
            names = ("statement", "whys", "confirmed")
            change.fields = [name for name in names if getattr(stored, name) != getattr(self.chosen_cause, name)]
