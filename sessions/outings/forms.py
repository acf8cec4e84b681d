"""Forms of venues, gates, sessions, passes and readings."""

from __future__ import annotations

import math
import re
from itertools import pairwise
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import QueryDict

from buildlog.machines.models import Revision
from buildlog.photos.forms import PhotographedForm
from buildlog.quantities.declared import quantity_names, rows_of
from buildlog.quantities.fields import QuantityFormField
from buildlog.records.choices import NEW, ChoiceOrNew, is_new
from buildlog.records.form_merge import shown_text
from buildlog.records.forms import FILL, RecordForm
from buildlog.records.moments import MomentInput
from calc import geodesy
from calc.quantities import NotUnderstood, understand
from calc.timing import frame_clock_s
from sessions.outings import queries
from sessions.outings.models import Assumptions, Gate, GateMark, Pass, Reading, Session, Venue


class VenueForm(RecordForm[Venue]):
    class Meta:
        model = Venue
        fields = ["name", "notes"]


class NewVenueForm(VenueForm):
    """A venue together with its first gate, which has two marks."""

    gate_name = forms.CharField(
        label="Name of its first gate", required=False, max_length=80, help_text="For example: Straight."
    )
    gate_length_m = QuantityFormField(
        kind="distance",
        low=0.0,
        high=100000.0,
        includes_low=False,
        label="From its first mark to its last",
        required=False,
        help_text="As taped. Passes are timed from the first mark to the last.",
    )
    groups = (("First gate", ("gate_name", "gate_length_m")),)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        name, length_m = (cleaned.get("gate_name") or "").strip(), cleaned.get("gate_length_m")
        if name and length_m is None and "gate_length_m" not in self.errors:
            self.add_error("gate_length_m", "How far are its marks apart? For example 100 m.")
        return cleaned

    def save(self, commit: bool = True) -> Venue:
        with transaction.atomic():
            venue = super().save(commit)
            length_m = self.cleaned_data.get("gate_length_m")
            if length_m is not None:
                make_gate(
                    Gate(venue=venue, name=(self.cleaned_data.get("gate_name") or "").strip() or "Gate"), length_m
                )
            return venue


def make_gate(gate: Gate, length_m: float) -> None:
    """Store a gate with a mark at each end."""
    gate.save()
    GateMark.objects.bulk_create(GateMark(gate=gate, position_m=end) for end in (0.0, length_m))


class GateForm(RecordForm[Gate]):
    belongs_to = ("venue",)
    together = (("method", "marks"),)
    marks = forms.CharField(
        label="Marks, one on each line",
        widget=forms.Textarea(attrs={"rows": 4}),
        help_text="Taped: the distance of each mark from the first, for example 0, 50 m, 110 yd. "
        "From coordinates: latitude and longitude in degrees, for example 61.0412, 24.9175.",
    )

    class Meta:
        model = Gate
        fields = ["name", "method", "u_distance_m"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not self.instance._state.adding:
            self.initial["marks"] = "\n".join(self._written(mark) for mark in self.instance.marks.all())

    def _written(self, mark: GateMark) -> str:
        if self.instance.method == Gate.Method.COORDINATES and mark.latitude_deg is not None:
            return f"{mark.latitude_deg:.7f}, {mark.longitude_deg:.7f}"
        return f"{mark.position_m:.10g} m"

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        lines = [line.strip() for line in cleaned.get("marks", "").splitlines() if line.strip()]
        if "marks" not in cleaned:
            return cleaned
        by_coordinates = cleaned.get("method") == Gate.Method.COORDINATES
        try:
            marks = self._from_coordinates(lines) if by_coordinates else self._from_tape(lines)
        except ValueError as error:
            self.add_error("marks", str(error))
            return cleaned
        if len(marks) < 2:
            self.add_error("marks", "A gate needs at least two marks, for example 0 on one line and 100 m on the next.")
        elif any(later[0] <= earlier[0] for earlier, later in pairwise(marks)):
            self.add_error(
                "marks", "Each mark must be farther from the first than the one before, for example 0, 50, 100."
            )
        cleaned["mark_rows"] = marks
        name = cleaned.get("name")
        same = Gate.objects.filter(venue=self.instance.venue, name=name).exclude(pk=self.instance.pk)
        if name and same.exists():
            self.add_error("name", f"{self.instance.venue} already has a gate called {name}.")
        return cleaned

    def _from_tape(self, lines: list[str]) -> list[tuple[float, float | None, float | None]]:
        positions = []
        for number, line in enumerate(lines, 1):
            try:
                position = understand(line, "distance", self.unit_system)
            except NotUnderstood as error:
                raise ValueError(f"Line {number}: {error}") from None
            if not 0 <= position <= 100000:
                raise ValueError(f"Line {number}: a mark is between 0 m and 100 km from the first, not {line}.")
            positions.append(position)
        first = positions[0] if positions else 0.0
        return [(position - first, None, None) for position in positions]

    def _from_coordinates(self, lines: list[str]) -> list[tuple[float, float | None, float | None]]:
        points = []
        for number, line in enumerate(lines, 1):
            match = re.fullmatch(r"([+-]?\d+(?:\.\d+)?)\s*[,;\s]\s*([+-]?\d+(?:\.\d+)?)", line.replace("−", "-"))
            latitude, longitude = (float(match.group(1)), float(match.group(2))) if match else (math.nan, math.nan)
            if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
                raise ValueError(
                    f"Line {number}: “{line}” is not a latitude and a longitude in degrees. "
                    "Write for example 61.0412, 24.9175."
                )
            points.append((latitude, longitude))
        return [
            (float(geodesy.distance_m(*points[0], *point)) if point != points[0] else 0.0, *point) for point in points
        ]

    def save(self, commit: bool = True) -> Gate:
        with transaction.atomic():
            gate = super().save(commit)
            if not self.writes("marks"):
                # The form shows fewer digits than are stored, so unchanged marks are not written.
                return gate
            gate.marks.all().delete()
            GateMark.objects.bulk_create(
                GateMark(gate=gate, position_m=position, latitude_deg=latitude, longitude_deg=longitude)
                for position, latitude, longitude in self.cleaned_data["mark_rows"]
            )
        return gate


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
        ("valid", "invalid_reason"),
        ("gate", "new_gate_name", "new_gate_length_m"),
    )
    gate = ChoiceOrNew(Gate.objects.none(), opens=("new_gate_name", "new_gate_length_m"), new_label="A new gate …")
    new_gate_name = forms.CharField(label="Name of the new gate", required=False, max_length=80)
    new_gate_length_m = QuantityFormField(
        kind="distance",
        low=0.0,
        high=100000.0,
        includes_low=False,
        label="From its first mark to its last",
        required=False,
        help_text="As taped. Marks between, and coordinates, are added on the venue's page.",
    )
    frames = forms.FloatField(
        label="and frames beyond those seconds",
        required=False,
        min_value=0,
        max_value=100000,
        help_text="For video, for example 7 s and 20 frames at 60 frames/s.",
    )
    split_times_s = SplitTimesField(
        label="times at the marks between",
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
        gates = Gate.objects.filter(venue=self.instance.session.venue_id)
        self.offer("gate", gates)
        if self.instance._state.adding and not gates.exists():
            self.initial["gate"] = NEW

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

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
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
