"""Forms of sessions, passes and readings, and of what measuring takes for granted."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import QueryDict

from buildlog.machines.models import Revision
from buildlog.photos.forms import PhotographedForm
from buildlog.quantities.declared import quantity_names, rows_of
from buildlog.records.choices import NEW, ChoiceOrNew, is_new
from buildlog.records.form_merge import shown_text
from buildlog.records.forms import FILL, RecordForm
from buildlog.records.moments import MomentInput
from calc.quantities import NotUnderstood, understand
from calc.timing import frame_clock_s
from sessions.outings import queries
from sessions.outings.models import Assumptions, Gate, Pass, Reading, Session, Venue
from sessions.outings.models.outings import STANDING_START
from sessions.outings.place_forms import gate_length_field, make_gate

AS_LAST_TIME = ("venue", "rider_mass_kg", "payload_kg", "surface", "distance_method")
"""What of the last session is likely again. Weather and ice are not: they are measured each time."""


def _as_last_time(last: Session | None, unit_system: str) -> str:
    """What would be taken over from the last session, in words; "" for none."""
    if last is None:
        return ""
    rows = [(row.heading.lower(), row.text) for row in rows_of(last, unit_system)]
    words = [f"{heading} {text}" for heading, text in rows if heading in ("rider", "payload")]
    if last.surface:
        words.append(last.get_surface_display().lower())
    if last.distance_m is not None and last.distance_method:
        words.append(f"distance by {last.get_distance_method_display().lower()}")
    return f"As last time: {', '.join([str(last.venue), *words])}."


class SessionForm(PhotographedForm[Session]):
    photo_subject = "session"
    venue = ChoiceOrNew(Venue.objects.all(), opens=("new_venue",), new_label="A new venue …")
    new_venue = forms.CharField(
        label="Name of the new venue",
        required=False,
        max_length=120,
        help_text="A name is enough; gates can be added later.",
    )
    together = (("venue", "new_venue"), ("distance_m", "distance_method"))
    groups = (
        ("Conditions", ("surface", *quantity_names(Session, "Conditions"))),
        ("Ride and battery", quantity_names(Session, "Ride and battery", distance_m="distance_method")),
        ("Notes", ("notes", "photos")),
    )

    class Meta:
        model = Session
        fields = [
            "revision",
            "venue",
            "new_venue",
            "started_at",
            "ended_at",
            "surface",
            "notes",
            *quantity_names(Session, "Conditions"),
            *quantity_names(Session, "Ride and battery", distance_m="distance_method"),
        ]
        widgets = {"started_at": MomentInput(), "ended_at": MomentInput()}
        help_texts = {
            "rest_voltage_start_v": "With nothing drawing current, after resting.",
            "ice_thickness_cm": "Measured where you ride, not read in a report.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.instance._state.adding:
            self.fill_words = _as_last_time(queries.last_session(self["revision"].value()), self.unit_system)
            if not self.initial.get("venue") and not Venue.objects.exists():
                self.initial["venue"] = NEW
        self.offer("revision", Revision.objects.select_related("vehicle").order_by("vehicle__name", "-number"))

    @classmethod
    def filled(cls, data: QueryDict, unit_system: str) -> QueryDict:
        """With what the last session of this machine had, where nothing was typed."""
        last = queries.last_session(data.get("revision"))
        if FILL not in data or last is None:
            return data
        with_last = data.copy()
        stored = cls(instance=last, unit_system=unit_system)
        for name in AS_LAST_TIME:
            if not with_last.get(name):
                with_last[name] = str(shown_text(stored[name]))
        return with_last

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        new_name = (cleaned.get("new_venue") or "").strip()
        if "venue" not in self.errors and not cleaned.get("venue") and not new_name:
            field = "new_venue" if is_new(self, "venue") else "venue"
            self.add_error(field, "Choose where it was ridden, or write the name of a new venue.")
        if new_name and cleaned.get("venue"):
            self.add_error("venue", f"Choose a venue or write a new one, not both: “{new_name}” is written below.")
        return cleaned

    def _get_validation_exclusions(self) -> set[str]:
        # `clean` has said what is wrong with the venue, and a new one is not stored yet.
        excluded: set[str] = super()._get_validation_exclusions()  # type: ignore[misc]  # missing in the stubs
        return excluded | {"venue"}

    def _post_clean(self) -> None:
        # The model needs a venue to be valid; a new one is stored only together with the session.
        name = (self.cleaned_data.get("new_venue") or "").strip()
        if name and not self.cleaned_data.get("venue"):
            known = Venue.objects.filter(name__iexact=name).first()
            self.unsaved_venue = None if known else Venue(name=name)
            self.cleaned_data["venue"] = known or self.unsaved_venue
        super()._post_clean()

    def save(self, commit: bool = True) -> Session:
        with transaction.atomic():
            unsaved = getattr(self, "unsaved_venue", None)
            if unsaved is not None:
                unsaved.save()
                self.instance.venue = unsaved
            return super().save(commit)


class SplitTimesField(forms.Field):
    """Times at marks, typed with a semicolon between and cleaned to a list of seconds."""

    def prepare_value(self, value: Any) -> Any:
        return "; ".join(f"{time:g}" for time in value) if isinstance(value, list) else value

    def to_python(self, value: Any) -> list[float]:
        times = []
        for text in filter(None, (part.strip() for part in (value or "").split(";"))):
            try:
                times.append(understand(text, "duration"))
            except NotUnderstood as error:
                raise ValidationError(f"Times at the marks between: {error}") from None
        return times

    def has_changed(self, initial: Any, data: Any) -> bool:
        return bool(self.prepare_value(initial) != data)


class PassForm(RecordForm[Pass]):
    unsaved_gate: Gate | None = None
    belongs_to = ("session",)
    together = (
        ("method", "duration_s", "frames", "frames_per_s", "split_times_s", "u_duration_s"),
        ("start", "valid", "invalid_reason"),
        ("gate", "new_gate_name", "new_gate_length_m"),
    )
    gate = ChoiceOrNew(Gate.objects.none(), opens=("new_gate_name", "new_gate_length_m"), new_label="A new gate …")
    new_gate_name = forms.CharField(label="Name of the new gate", required=False, max_length=80)
    new_gate_length_m = gate_length_field("As taped. Marks between, and coordinates, are added on the venue's page.")
    frames = forms.FloatField(
        label="Frames beyond those seconds",
        required=False,
        min_value=0,
        max_value=100000,
        help_text="For video, for example 7 s and 20 frames at 60 frames/s.",
    )
    split_times_s = SplitTimesField(
        label="Times at the marks between",
        required=False,
        help_text="Seconds since the first mark, with a semicolon between, for example 2,44; 4,89.",
    )
    groups = (
        ("Time", ("method", "duration_s", "frames", "frames_per_s", "split_times_s", "u_duration_s")),
        ("Does it count?", ("valid", "invalid_reason")),
    )

    class Meta:
        model = Pass
        fields = [
            "gate",
            "direction",
            "start",
            "method",
            "duration_s",
            "frames",
            "frames_per_s",
            "split_times_s",
            "u_duration_s",
            "valid",
            "invalid_reason",
        ]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        start: Any = self.fields["start"]
        start.choices = [("", "Flying: already moving at the first mark"), *Pass.Start.choices]
        gates = Gate.objects.filter(venue=self.instance.session.venue_id)
        self.offer("gate", gates)
        if self.instance._state.adding and self.instance.gate_id is None:
            # The only gate is meant, or a new one where there is none.
            keys = list(gates.values_list("pk", flat=True)[:2])
            if len(keys) < 2:
                self.initial["gate"] = keys[0] if keys else NEW

    def _clean_gate(self, cleaned: dict[str, Any]) -> None:
        name, length_m = (cleaned.get("new_gate_name") or "").strip(), cleaned.get("new_gate_length_m")
        if cleaned.get("gate") or "gate" in self.errors:
            if name:
                self.add_error("gate", f"Choose a gate or write a new one, not both: “{name}” is written below.")
            return
        if not is_new(self, "gate") and not name:
            self.add_error("gate", "Choose the gate it was timed through, or a new one.")
            return
        if not name:
            self.add_error("new_gate_name", "Give the new gate a name, for example: Straight.")
        if length_m is None and "new_gate_length_m" not in self.errors:
            self.add_error("new_gate_length_m", "How far are its marks apart? For example 100 m.")
        if name and Gate.objects.filter(venue=self.instance.session.venue_id, name__iexact=name).exists():
            self.add_error("new_gate_name", f"There is already a gate called {name} here. Choose it above.")
        if not self.errors:
            self.unsaved_gate = Gate(venue_id=self.instance.session.venue_id, name=name)

    def _get_validation_exclusions(self) -> set[str]:
        # As with the venue of a session.
        excluded: set[str] = super()._get_validation_exclusions()  # type: ignore[misc]  # missing in the stubs
        return excluded | {"gate"}

    def _post_clean(self) -> None:
        if self.unsaved_gate is not None:
            self.cleaned_data["gate"] = self.unsaved_gate
        super()._post_clean()

    def save(self, commit: bool = True) -> Pass:
        with transaction.atomic():
            if self.unsaved_gate is not None:
                make_gate(self.unsaved_gate, self.cleaned_data["new_gate_length_m"])
                self.instance.gate = self.unsaved_gate
            return super().save(commit)

    def _clean_start(self, cleaned: dict[str, Any]) -> None:
        """A standing start does not count, whatever the box that is ticked by itself says."""
        was_standing = bool(self.initial.get("start"))
        if cleaned.get("start"):
            if cleaned.get("valid") and was_standing:
                self.add_error("valid", "A standing start counts for no speed. If it was a flying one, say so above.")
            cleaned["valid"] = False
            cleaned["invalid_reason"] = cleaned.get("invalid_reason") or STANDING_START
        elif was_standing and cleaned.get("invalid_reason") in ("", STANDING_START):
            cleaned["valid"], cleaned["invalid_reason"] = True, ""

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        self._clean_start(cleaned)
        self._clean_gate(cleaned)
        frames, rate = cleaned.get("frames"), cleaned.get("frames_per_s")
        if frames and not rate and "frames_per_s" not in self.errors:
            self.add_error("frames_per_s", "Frames need the frame rate the clip was taken at, for example 30 or 29.97.")
        elif frames and rate and cleaned.get("duration_s") is not None:
            cleaned["duration_s"] = frame_clock_s(cleaned["duration_s"], frames, rate)
        times, gate = cleaned.get("split_times_s"), cleaned.get("gate")
        if times and self.unsaved_gate is not None:
            self.add_error("split_times_s", "A new gate has no marks between its ends. Add them on the venue's page.")
        elif times and gate is not None:
            between = max(0, gate.marks.count() - 2)
            if len(times) != between:
                self.add_error(
                    "split_times_s", f"{gate} has {between} marks between its ends; {len(times)} times were written."
                )
        return cleaned


class ReadingForm(RecordForm[Reading]):
    belongs_to = ("session",)

    class Meta:
        model = Reading
        fields = [*quantity_names(Reading), "note"]


class AssumptionsForm(RecordForm[Assumptions]):
    has_defaults = True
    groups = (
        ("What a fix must show", ("held_rate_fraction", "held_confidence")),
        (
            "What comparisons take for granted",
            (
                "speed_difference_fraction",
                "energy_difference_fraction",
                "trial_power_fraction",
                "page_error_fraction",
            ),
        ),
    )

    class Meta:
        model = Assumptions
        exclude = ["vehicle"]
        help_texts = {
            "reserve_fraction": "A share of the full pack: 20 % keeps a fifth of it, however little is left.",
            "speed_difference_fraction": "Settle it before you ride: smaller differences count as none, and a smaller "
            "one takes more days to rule out.",
            "trial_power_fraction": "80 % is four times in five. Plans say what change they would show this often.",
            "page_error_fraction": "5 % is one in twenty seasons in which nothing changed. All questions share it.",
        }
