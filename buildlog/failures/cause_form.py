"""The form that finds a failure's cause."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db import transaction

from buildlog.failures.models import Cause, Evidence, Failure
from buildlog.failures.models.causes import MOST_WHYS
from buildlog.photos.models import Photo
from buildlog.records.forms import RecordForm


class CauseForm(RecordForm[Failure]):
    """A cause of the machine that is known already, or a new one. Changing a shared cause changes it for all."""

    cause = forms.ModelChoiceField(Cause.objects.none(), required=False, label="A cause known already")
    statement = forms.CharField(
        required=False, max_length=300, label="The cause, in one sentence",
        help_text="For example: the idler spring loses its tension in the cold.",
    )  # fmt: skip
    whys = forms.CharField(
        required=False,
        widget=forms.Textarea,
        label="Why did it happen, and why that? One answer on each line",
        help_text=f"From what was seen to the cause; at most {MOST_WHYS} lines.",
    )
    confirmed = forms.BooleanField(required=False, label="Confirmed, not suspected: something below shows it")
    photo = forms.ModelChoiceField(Photo.objects.none(), required=False, label="Shown by a photo of this failure")
    reading = forms.ModelChoiceField(Evidence.reading.get_queryset().none(), required=False, label="or by a reading")
    excerpt = forms.CharField(
        required=False, max_length=2000, widget=forms.Textarea, label="or by an excerpt of a log, or a measurement"
    )
    can_be_made_anew = False
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
        known = failure.cause
        if known is not None:
            self.initial.update(
                {"statement": known.statement, "whys": "\n".join(known.whys), "confirmed": known.confirmed}
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
            # A cause that was chosen is joined as it stands; what was written below belonged to another.
            self.joined = chosen
        else:
            self.joined = self.initial_cause() or Cause(vehicle=self.instance.revision.vehicle)
            self.joined.statement, self.joined.whys = statement, cleaned.get("whys") or []
        self.joined.confirmed = bool(cleaned.get("confirmed"))
        shown = [name for name in ("photo", "reading", "excerpt") if cleaned.get(name)]
        if self.joined.confirmed and not shown and not (self.joined.pk and self.joined.evidence.exists()):
            self.add_error("confirmed", "A confirmed cause needs what shows it: a photo, a reading or an excerpt.")
        try:
            self.joined.clean()
        except ValidationError as error:
            self.add_error("whys", error.messages[0])
        return cleaned

    def initial_cause(self) -> Cause | None:
        key = self.initial.get("cause")
        return Cause.objects.filter(pk=key).first() if key else None

    def _post_clean(self) -> None:
        # The failure itself is judged only once its cause is stored; `clean` has looked at the rest.
        self.instance.cause_id = self.initial.get("cause")

    def save(self, commit: bool = True) -> Failure:
        with transaction.atomic():
            self.joined.save()
            for name in ("photo", "reading", "excerpt"):
                if self.cleaned_data.get(name):
                    Evidence.objects.create(cause=self.joined, **{name: self.cleaned_data[name]})
            self.instance.cause = self.joined
            self.instance.save()
        return self.instance
