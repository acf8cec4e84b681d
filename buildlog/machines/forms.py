"""Forms for machines, revisions, parts and fittings."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.urls import reverse
from django.utils.html import format_html

from buildlog.machines.going_to_ride import goes_to_ride, note_release, refusal
from buildlog.machines.models import Fitting, Part, Revision, Vehicle
from buildlog.machines.specifications import CATEGORIES, read_specification
from buildlog.quantities.declared import quantity_names
from buildlog.quantities.fields import QuantityFormField
from buildlog.records.forms import Making, RecordForm
from buildlog.records.moments import day_input


class VehicleForm(RecordForm[Vehicle]):
    class Meta:
        model = Vehicle
        fields = ["name", "purpose"]


MOVED_BY_PARTS = (
    "As measured in this state. If left empty, the value measured on an earlier revision is used, corrected for the "
    "parts that changed since."
)


class RevisionForm(RecordForm[Revision]):
    belongs_to = ("vehicle",)
    groups = (
        ("Geometry and mass", ("contacts", *quantity_names(Revision, "Geometry and mass"))),
        ("Where the rider sits", quantity_names(Revision, "Where the rider sits")),
    )

    class Meta:
        model = Revision
        fields = ["number", "parent", "date", "status", "purpose", "contacts", *quantity_names(Revision)]
        widgets = {"date": day_input()}
        help_texts = {
            "mass_without_rider_kg": MOVED_BY_PARTS,
            "cg_height_m": MOVED_BY_PARTS,
            "seat_x_m": "Of the middle of the seat's surface; forward is positive.",
            "seat_z_m": "Of the seat's surface, with the rider on it.",
            "rider_mass_kg": "For the figures of tipping, until a session says how much rider and payload weigh.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._status_before = None if self.instance._state.adding else self.instance.status
        siblings = Revision.objects.filter(vehicle=self.instance.vehicle).select_related("vehicle")
        self.offer("parent", siblings.exclude(pk=self.instance.pk), lambda revision: revision.label)
        if self.instance._state.adding:
            self.fields["parent"].help_text = "Its fittings and geometry are carried over to the new revision."

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        number = cleaned.get("number")
        others = Revision.objects.filter(vehicle=self.instance.vehicle).exclude(pk=self.instance.pk)
        if number and others.filter(number=number).exists():
            raise ValidationError(
                {"number": f"{self.instance.vehicle} already has an R{number}. Choose a number that is not used yet."}
            )
        return cleaned

    def _post_clean(self) -> None:
        super()._post_clean()
        self.goes_to_ride = not self.errors and goes_to_ride(self.instance, self._status_before)
        if self.goes_to_ride and (sentence := refusal(self.instance, takes_parts_along=True)):
            self.add_error("status", self._with_a_way(sentence))

    def _with_a_way(self, sentence: str) -> str:
        """A stored revision has a page where its points are settled; a new one is stored as in build first."""
        if self.instance._state.adding:
            return f"{sentence} Save it as in build first."
        address = reverse("revision_release", args=[self.instance.pk])
        return format_html('{} <a href="{}">Release of {}</a>', sentence, address, self.instance.label)

    def save(self, commit: bool = True) -> Revision:
        saved: Revision = super().save(commit)
        if commit and self.goes_to_ride:
            note_release(saved)
        return saved


class PartForm(RecordForm[Part]):
    """A part of one category, with a form field for each field of its specification."""

    belongs_to = ("category",)

    class Meta:
        model = Part
        fields = ["name", *quantity_names(Part), "counts_cycles", "notes"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.category = CATEGORIES[self.instance.category]
        for field in self.category.fields:
            if field.choices:
                self.fields[field.name] = forms.ChoiceField(
                    choices=[("", "Not known"), *field.choices],
                    label=field.label,
                    required=field.required,
                    initial=self.instance.specification.get(field.name),
                )
                continue
            self.fields[field.name] = QuantityFormField(
                **field.form_arguments(),
                required=field.required,
                initial=self.instance.specification.get(field.name),
            )
        self.groups = ((f"{self.category.label}: what it can do", tuple(field.name for field in self.category.fields)),)
        self.prepare_fields()

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        names = [field.name for field in self.category.fields]
        if any(name in self.errors for name in names):
            return cleaned
        # The form shows fewer digits than are stored, so values that were not changed are taken from the record.
        stored = self.instance.specification
        unchanged = {name: stored[name] for name in names if name in stored and not self.writes(name)}
        typed = {name: cleaned[name] for name in names if self.writes(name) and cleaned.get(name) not in (None, "")}
        try:
            self.instance.specification = read_specification(self.category.name, unchanged | typed)
        except ValidationError as error:
            for name, messages in error.message_dict.items():
                self.add_error(name if name in self.fields else None, messages)
        part_name = cleaned.get("name")
        others = Part.objects.filter(category=self.category.name).exclude(pk=self.instance.pk)
        if part_name and others.filter(name=part_name).exists():
            self.add_error("name", f"There is already a {self.category.label.lower()} called {part_name}.")
        return cleaned

    def _post_clean(self) -> None:
        # The model would check the specification again, under a name for which this form has no field.
        if not self.errors:
            super()._post_clean()


class FittingForm(RecordForm[Fitting]):
    belongs_to = ("revision",)
    together = (("quantity", "series", "parallel"),)
    makes = {"part": Making("new_part_kind", "A new part …")}
    groups = (
        ("Place", quantity_names(Fitting, "Place")),
        ("Wiring", ("branch", "series", "parallel", "string")),
    )

    class Meta:
        model = Fitting
        fields = ["part", "quantity", *quantity_names(Fitting), "branch", "series", "parallel", "string"]
        labels = {"series": "Modules in series", "parallel": "Modules in parallel"}
        help_texts = {
            "x_m": "From the rear contact, forward is positive.",
            "y_m": "Left is positive. Empty counts as on the middle line.",
            "z_m": "Of its centre, from the ground.",
            "branch": "For fuses, switches, connectors and cables. Empty counts as between pack and controller.",
            "string": "Only where several kinds of modules are wired: those of one number are in series, and strings "
            "of different numbers in parallel.",
            "parallel": "Quantity = series × parallel.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.record_choice("part").choices = [("", "Choose a part"), *_parts_by_category()]


def _parts_by_category() -> list[tuple[str, list[tuple[str, str]]]]:
    groups: dict[str, list[tuple[str, str]]] = {}
    for part in Part.objects.all():
        groups.setdefault(CATEGORIES[part.category].label, []).append((str(part.pk), part.name))
    return list(groups.items())
