"""Trying a change on paper: the fittings and geometry of a revision, altered, and what that does."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Model
from django.utils import timezone

from buildlog.failures.models import Modification
from buildlog.machines.carry_over import GEOMETRY, MEASURED
from buildlog.machines.contacts import LAYOUT_FIELDS, REACH_M, contact_name, stored_contacts
from buildlog.machines.difference import difference
from buildlog.machines.machine import Machine
from buildlog.machines.models import Fitting, Part, Revision
from buildlog.quantities.fields import QuantityFormField
from buildlog.storage.columns import column_of, label_of

GEOMETRY_FIELDS = (
    "drive_ratio",
    "rolling_circumference_m",
    "track_width_m",
    "wheelbase_m",
    "seat_x_m",
    "seat_z_m",
    *MEASURED,
)
FITTING_FIELDS = ("quantity", "x_m", "y_m", "z_m", "series", "parallel")
CONTACT_FIELDS = (("x_m", "forward of the rear contact"), ("y_m", "left of the middle line"))


class WhatIfForm(forms.Form):
    """One row for each fitting, one for a further part, and the geometry. A quantity of 0 removes a part."""

    def __init__(self, revision: Revision, data: Any = None, system: str = "metric") -> None:
        super().__init__(data)
        self.revision = revision
        self.fittings = list(revision.fittings.all())
        # Points of their own say where it stands; the layout's few numbers say it otherwise.
        self.contacts = stored_contacts(revision.contact_points)
        self.geometry_fields = tuple(name for name in GEOMETRY_FIELDS if not self.contacts or name not in LAYOUT_FIELDS)
        for name in self.geometry_fields:
            self._add(name, _field_of(Revision, name), getattr(revision, name), system)
        for fitting in self.fittings:
            for name in FITTING_FIELDS:
                if name in ("series", "parallel") and fitting.part.category != "battery_module":
                    continue
                self._add(f"{name}-{fitting.pk}", self._placing(name, fitting.part), getattr(fitting, name), system)
        parts = Part.objects.order_by("category", "name")
        self.fields["part"] = forms.ModelChoiceField(parts, required=False, label="A further part", empty_label="None")
        for name in ("quantity", "x_m", "y_m", "z_m"):
            self._add(f"{name}-new", self._placing(name, None), 1 if name == "quantity" else None, system)

        for row, contact in enumerate(self.contacts):
            for name, label in CONTACT_FIELDS:
                field = QuantityFormField(kind="length", low=-REACH_M, high=REACH_M, includes_low=True, label=label)
                self._add(f"contact_{name}-{row}", field, getattr(contact, name), system)

    def contact_rows(self) -> list[tuple[str, list[forms.BoundField]]]:
        return [
            (contact_name(contact, self.contacts), [self[f"contact_{name}-{row}"] for name, _ in CONTACT_FIELDS])
            for row, contact in enumerate(self.contacts)
        ]

    def _moved_contacts(self) -> list[dict[str, Any]]:
        """The points with the places that were typed; a place that was cleared stays as it is."""
        points = []
        for row, contact in enumerate(self.contacts):
            typed = {name: self.cleaned_data.get(f"contact_{name}-{row}") for name, _ in CONTACT_FIELDS}
            places = {name: value for name, value in typed.items() if value is not None}
            points.append(replace(contact, **places).as_stored())
        return points

    def _placing(self, name: str, part: Part | None) -> forms.Field:
        if name in ("quantity", "series", "parallel"):
            least = 0 if name == "quantity" else 1
            field: forms.Field = forms.IntegerField(min_value=least, max_value=1000, required=False)
        else:
            field = _field_of(Fitting, name)
        field.label = f"{part.name if part else 'Further part'}: {label_of(Fitting, name)}"
        return field

    def _add(self, name: str, field: forms.Field, value: Any, system: str) -> None:
        field.required = False
        if isinstance(field, QuantityFormField):
            field.use_system(system)
        field.initial = value
        self.fields[name] = field

    def rows(self) -> list[tuple[Part, list[forms.BoundField]]]:
        return [
            (fitting.part, [self[key] for name in FITTING_FIELDS if (key := f"{name}-{fitting.pk}") in self.fields])
            for fitting in self.fittings
        ]

    def geometry(self) -> list[forms.BoundField]:
        return [self[name] for name in self.geometry_fields]

    def further(self) -> list[forms.BoundField]:
        return [self["part"], *(self[f"{name}-new"] for name in ("quantity", "x_m", "y_m", "z_m"))]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        for name, field in self.fields.items():
            # The page shows fewer digits than are stored: what was not typed anew stays as it is.
            if isinstance(field, QuantityFormField) and not field.has_changed(field.initial, self.data.get(name)):
                cleaned[name] = field.initial
        for fitting in self.fittings:
            series, parallel = cleaned.get(f"series-{fitting.pk}"), cleaned.get(f"parallel-{fitting.pk}")
            quantity = cleaned.get(f"quantity-{fitting.pk}")
            if fitting.part.category == "battery_module" and quantity and (series or 1) * (parallel or 1) != quantity:
                self.add_error(
                    f"quantity-{fitting.pk}",
                    f"{quantity} modules cannot be {series or 1} in series × {parallel or 1} in parallel. "
                    "Change one of the three.",
                )
        return cleaned

    def proposed_machine(self, before: Machine) -> Machine:
        """The altered machine; nothing of it is stored. What was measured on `before` moves with its parts."""
        data = self.cleaned_data
        revision = Revision(vehicle=self.revision.vehicle, number=self.revision.number + 1, parent=self.revision)
        for name in GEOMETRY:
            setattr(revision, name, data.get(name) if name in self.geometry_fields else getattr(self.revision, name))
        if self.contacts:
            revision.contact_points = self._moved_contacts()
        for name in MEASURED:
            typed, current = data.get(name), getattr(self.revision, name)
            # An unchanged value was measured before the alteration, so it does not count for the altered machine.
            same = typed is None or (current is not None and math.isclose(typed, current, rel_tol=1e-9))
            setattr(revision, name, None if same else typed)
        placed = []
        for fitting in self.fittings:
            if not data.get(f"quantity-{fitting.pk}"):
                continue
            carried = fitting.carried_to(revision)
            for name in FITTING_FIELDS:
                if f"{name}-{fitting.pk}" in self.fields:
                    setattr(carried, name, data[f"{name}-{fitting.pk}"])
            placed.append(carried)
        if data.get("part") and data.get("quantity-new"):
            part, quantity = data["part"], data["quantity-new"]
            wiring = {"series": 1, "parallel": quantity} if part.category == "battery_module" else {}
            place = {name: data[f"{name}-new"] for name in ("x_m", "y_m", "z_m")}
            placed.append(Fitting(revision=revision, part=part, quantity=quantity, **place, **wiring))
        return Machine(revision, placed, before.seen)


def _field_of(model: type[Model], name: str) -> forms.Field:
    """The form field of a column that a person types."""
    field = column_of(model, name).formfield()
    if field is None:
        raise TypeError(f"{name} has no form field")
    return field


def save_as_planned(proposed: Machine, before: Machine, system: str) -> Revision:
    """Store the proposed machine as the next planned revision, with a modification that lists the changes.

    Raises ValidationError when it changes nothing.
    """
    changes = difference(before, proposed, system)
    lines = [f"{count} × {part.name} added" for part, count in changes.added]
    lines += [f"{count} × {part.name} removed" for part, count in changes.removed]
    lines += [f"{part.name}: {', '.join(notes)}" for part, notes in changes.changed]
    lines += [f"{delta.label}: {delta.before} → {delta.after}" for delta in changes.numbers]
    if not lines:
        raise ValidationError("Nothing is changed yet, so there is nothing to save. Change a number first.")
    with transaction.atomic():
        revision = proposed.revision
        numbers = dict(revision.vehicle.revisions.values_list("pk", "number"))
        if revision.parent_id not in numbers:
            raise ValidationError("The revision that this was tried on was removed meanwhile. Try it on another one.")
        revision.number, revision.date = max(numbers.values()) + 1, timezone.localdate()
        revision.status = Revision.Status.PLANNED
        revision.save(force_insert=True)
        for fitting in proposed.fittings:
            fitting.save(force_insert=True)
        Modification.objects.create(revision=revision, title=lines[0][:160], reason="\n".join(lines)[:2000])
    return revision
