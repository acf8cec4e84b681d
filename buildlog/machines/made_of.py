"""What a machine is made of, on one page: its main parts, each with the few figures that others are worked out from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from buildlog.machines.models import Fitting, Part, Revision, Vehicle
from buildlog.machines.specifications import CATEGORIES, read_specification
from buildlog.quantities.fields import QuantityField, QuantityFormField


@dataclass(frozen=True)
class Line:
    """One kind of part on the page, and the quantities that are asked for."""

    category: str
    asked: tuple[str, ...]
    example: str
    mass: str
    """An example of what one weighs."""


LINES = (
    Line(
        "battery_module", ("nominal_voltage_v", "full_voltage_v", "empty_voltage_v", "capacity_ah"), "14s 12 Ah", "4 kg"
    ),
    Line("motor", ("peak_power_w", "motor_constant_rpm_per_v"), "Hub motor, 3 kW", "6 kg"),
    Line("speed_controller", ("highest_voltage_v", "peak_current_a"), "72 V, 120 A", "1.2 kg"),
    Line("fuse", ("rated_current_a",), "Main fuse", "100 g"),
    Line("driven_wheel", ("rolling_circumference_m",), "Studded tyre", "5 kg"),
    Line("frame", (), "Welded steel", "30 kg"),
)
"""A machine stands on these; everything else is fitted later, one by one."""
MODULES = "battery_module"
MASS: QuantityField[Any, Any] = Part._meta.get_field("mass_kg")


class MadeOfForm(forms.Form):
    """The main parts of a machine's revision. A kind of which nothing is typed is left for later."""

    def __init__(self, *args: Any, vehicle: Vehicle, unit_system: str = "metric", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.vehicle, self.unit_system = vehicle, unit_system
        for line in LINES:
            category = CATEGORIES[line.category]
            name = forms.CharField(
                label="Name",
                required=False,
                max_length=120,
                widget=forms.TextInput(attrs={"placeholder": line.example}),
            )
            self.fields[f"{line.category}-name"] = name
            if line.category == MODULES:
                count: dict[str, Any] = {"min_value": 1, "max_value": 1000, "required": False}
                self.fields[f"{MODULES}-quantity"] = forms.IntegerField(label="How many", initial=1, **count)
                self.fields[f"{MODULES}-series"] = forms.IntegerField(label="Of them in series", initial=1, **count)
            for field in category.fields:
                if field.name in line.asked:
                    self._ask(line, field.name, QuantityFormField(**field.form_arguments(), required=False))
            self._ask(line, "mass_kg", MASS.formfield(example=line.mass))

    def _ask(self, line: Line, name: str, field: QuantityFormField) -> None:
        field.use_system(self.unit_system)
        self.fields[f"{line.category}-{name}"] = field

    def grouped(self) -> list[tuple[str, list[forms.BoundField]]]:
        return [
            (
                CATEGORIES[line.category].label,
                [self[name] for name in self.fields if name.startswith(f"{line.category}-")],
            )
            for line in LINES
        ]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        self.parts: list[tuple[Part, int, int]] = []
        for line in LINES:
            if self._is_filled(line):
                self._read(line, cleaned)
        if not self.parts and not self.errors:
            raise ValidationError("Nothing is typed yet. Begin with the battery, or leave the parts for later.")
        return cleaned

    def _is_filled(self, line: Line) -> bool:
        names = ("name", "mass_kg", *line.asked)
        return any(str(self.data.get(f"{line.category}-{name}", "")).strip() for name in names)

    def _read(self, line: Line, cleaned: dict[str, Any]) -> None:
        category = CATEGORIES[line.category]
        typed = {name: cleaned.get(f"{line.category}-{name}") for name in line.asked}
        try:
            specification = read_specification(line.category, {k: v for k, v in typed.items() if v is not None})
        except ValidationError as error:
            for name, messages in error.message_dict.items():
                field = f"{line.category}-{name}"
                if field not in self.errors:
                    self.add_error(field if field in self.fields else None, messages)
            return
        quantity = (cleaned.get(f"{line.category}-quantity") or 1) if line.category == MODULES else 1
        series = (cleaned.get(f"{line.category}-series") or 1) if line.category == MODULES else 1
        if quantity % series:
            self.add_error(
                f"{MODULES}-series", f"{quantity} modules cannot be wired with {series} in series. For example 4 and 2."
            )
        name = cleaned.get(f"{line.category}-name") or self._name_for(category.label, line.category)
        if Part.objects.filter(category=line.category, name=name).exists():
            self.add_error(f"{line.category}-name", f"There is already a {category.label.lower()} called {name}.")
        mass_kg = cleaned.get(f"{line.category}-mass_kg")
        part = Part(category=line.category, name=name, mass_kg=mass_kg, specification=specification)
        self.parts.append((part, quantity, series))

    def _name_for(self, label: str, category: str) -> str:
        """A name for a part to which nobody gave one."""
        taken = Part.objects.filter(category=category, name=label).exists()
        return f"{label} of {self.vehicle.name}"[:120] if taken else label

    def save(self) -> Revision:
        """Store the parts, fitted to the machine's newest revision; it gets R1 if it has none."""
        with transaction.atomic():
            revision = self.vehicle.revisions.order_by("-number").first()
            if revision is None:
                revision = Revision.objects.create(
                    vehicle=self.vehicle, number=1, date=timezone.localdate(), status=Revision.Status.IN_BUILD
                )
            for part, quantity, series in self.parts:
                part.save()
                wired = part.category == MODULES
                Fitting.objects.create(
                    revision=revision,
                    part=part,
                    quantity=quantity,
                    series=series if wired else None,
                    parallel=quantity // series if wired else None,
                )
            return revision
