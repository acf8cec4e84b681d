"""Forms of venues and gates."""

from __future__ import annotations

import math
import re
from itertools import pairwise
from typing import Any

from django import forms
from django.db import transaction

from buildlog.quantities.fields import QuantityFormField
from buildlog.records.forms import RecordForm
from calc import geodesy
from calc.quantities import NotUnderstood, understand
from sessions.outings.models import Gate, GateMark, Venue


def gate_length_field(help_text: str) -> QuantityFormField:
    """The length of a new gate of two marks."""
    return QuantityFormField(
        kind="distance",
        low=0.0,
        high=100000.0,
        includes_low=False,
        label="From its first mark to its last",
        required=False,
        help_text=help_text,
    )


class VenueForm(RecordForm[Venue]):
    class Meta:
        model = Venue
        fields = ["name", "notes"]


class NewVenueForm(VenueForm):
    """A venue together with its first gate, which has two marks."""

    gate_name = forms.CharField(
        label="Name of its first gate", required=False, max_length=80, help_text="For example: Straight."
    )
    gate_length_m = gate_length_field("As taped. Passes are timed from the first mark to the last.")
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
