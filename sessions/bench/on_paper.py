"""Trying a change on paper: the fittings and geometry of a revision, altered, and what that does."""

from __future__ import annotations

import math
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Model
from django.utils import timezone

from buildlog.failures.models import Modification
from buildlog.machines.carry_over import GEOMETRY, MEASURED
from buildlog.machines.difference import difference
from buildlog.machines.machine import Machine
from buildlog.machines.models import Fitting, Part, Revision
from buildlog.quantities.fields import QuantityFormField
from buildlog.storage.columns import column_of, label_of

TRIED = (
    "drive_ratio",
    "rolling_circumference_m",
    "track_width_m",
    "wheelbase_m",
    "seat_x_m",
    "seat_z_m",
    *MEASURED,
)
PLACED = ("quantity", "x_m", "z_m", "series", "parallel")


class WhatIfForm(forms.Form):
    """One row for each fitting, one for a further part, and the geometry. A quantity of 0 takes a part off."""

    def __init__(self, revision: Revision, data: Any = None, system: str = "metric") -> None:
        super().__init__(data)
        self.revision = revision
        self.fittings = list(revision.fittings.all())
        for name in TRIED:
            self._add(name, _field_of(Revision, name), getattr(revision, name), system)
        for fitting in self.fittings:
            for name in PLACED:
                if name in ("series", "parallel") and fitting.part.category != "battery_module":
                    continue
                self._add(f"{name}-{fitting.pk}", self._placing(name, fitting.part), getattr(fitting, name), system)
        parts = Part.objects.order_by("category", "name")
        self.fields["part"] = forms.ModelChoiceField(parts, required=False, label="A further part", empty_label="None")
        for name in ("quantity", "x_m", "z_m"):
            self._add(f"{name}-new", self._placing(name, None), 1 if name == "quantity" else None, system)

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
            (fitting.part, [self[f"{name}-{fitting.pk}"] for name in PLACED if f"{name}-{fitting.pk}" in self.fields])
            for fitting in self.fittings
        ]

    def geometry(self) -> list[forms.BoundField]:
        return [self[name] for name in TRIED]

    def further(self) -> list[forms.BoundField]:
        return [self["part"], *(self[f"{name}-new"] for name in ("quantity", "x_m", "z_m"))]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
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

    def thought_of(self, before: Machine) -> Machine:
        """The altered machine; nothing of it is stored. What was measured on `before` moves with its parts."""
        told = self.cleaned_data
        revision = Revision(vehicle=self.revision.vehicle, number=self.revision.number + 1, parent=self.revision)
        for name in GEOMETRY:
            setattr(revision, name, told.get(name) if name in TRIED else getattr(self.revision, name))
        for name in MEASURED:
            typed, was = told.get(name), getattr(self.revision, name)
            # Left as it was, it is no measurement of the altered machine.
            same = typed is None or (was is not None and math.isclose(typed, was, rel_tol=1e-9))
            setattr(revision, name, None if same else typed)
        placed = []
        for fitting in self.fittings:
            if not told.get(f"quantity-{fitting.pk}"):
                continue
            made = fitting.carried_to(revision)
            for name in PLACED:
                if f"{name}-{fitting.pk}" in self.fields:
                    setattr(made, name, told[f"{name}-{fitting.pk}"])
            placed.append(made)
        if told.get("part") and told.get("quantity-new"):
            part, quantity = told["part"], told["quantity-new"]
            wiring = {"series": 1, "parallel": quantity} if part.category == "battery_module" else {}
            place = {"x_m": told["x_m-new"], "z_m": told["z_m-new"]}
            placed.append(Fitting(revision=revision, part=part, quantity=quantity, **place, **wiring))
        return Machine(revision, placed, before.seen)


def _field_of(model: type[Model], name: str) -> forms.Field:
    """The form field of a column that a person types."""
    field = column_of(model, name).formfield()
    if field is None:
        raise TypeError(f"{name} is not typed by anybody")
    return field


def keep(tried: Machine, before: Machine, system: str) -> Revision:
    """Store what was tried as the next planned revision, with a modification that says what changes.

    Raises ValidationError when it changes nothing.
    """
    changes = difference(before, tried, system)
    said = [f"{count} × {part.name} added" for part, count in changes.added]
    said += [f"{count} × {part.name} taken off" for part, count in changes.removed]
    said += [f"{part.name}: {', '.join(notes)}" for part, notes in changes.changed]
    said += [f"{delta.label}: {delta.before} → {delta.after}" for delta in changes.numbers]
    if not said:
        raise ValidationError("Nothing is changed yet, so there is nothing to keep. Change a number first.")
    with transaction.atomic():
        revision = tried.revision
        numbers = dict(revision.vehicle.revisions.values_list("pk", "number"))
        if revision.parent_id not in numbers:
            raise ValidationError("The revision that this was tried on was removed meanwhile. Try it on another one.")
        revision.number, revision.date = max(numbers.values()) + 1, timezone.localdate()
        revision.status = Revision.Status.PLANNED
        revision.save(force_insert=True)
        for fitting in tried.fittings:
            fitting.save(force_insert=True)
        Modification.objects.create(revision=revision, title=said[0][:160], reason="\n".join(said)[:2000])
    return revision
