"""What every form of a record has in common: quantities in the reader's units, and whole groups."""

from __future__ import annotations

from typing import Any

from django import forms

from buildlog.fields import QuantityFormField
from calc.quantities import written


class RecordForm(forms.ModelForm):
    """A model form in the reader's unit system.

    `groups` names the fields that stand together under a heading; fields in no group come first.
    """

    groups: tuple[tuple[str, tuple[str, ...]], ...] = ()

    def __init__(self, *args: Any, unit_system: str = "metric", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.unit_system = unit_system
        self.dress()

    def dress(self) -> None:
        """Give quantities the reader's units, long texts the whole width, and the empty choice a word."""
        for field in self.fields.values():
            if isinstance(field, QuantityFormField):
                field.use_system(self.unit_system)
            if isinstance(field.widget, forms.Textarea):
                field.widget.attrs["rows"] = 3
            field.wide = isinstance(field.widget, (forms.Textarea, forms.CheckboxSelectMultiple))
            if isinstance(field, forms.ChoiceField) and isinstance(field.widget, forms.Select):
                self._name_the_empty_choice(field)

    def _name_the_empty_choice(self, field: forms.ChoiceField) -> None:
        word = "Choose one" if field.required else "Not known"
        if isinstance(field, forms.ModelChoiceField):
            if field.empty_label is not None:
                field.empty_label = word
            return
        field.choices = [(value, word if value == "" else label) for value, label in field.choices]

    def say_what_was_understood(self) -> None:
        """Beside each quantity that was typed with a unit: the value it was read as."""
        for name, value in self.cleaned_data.items():
            field = self.fields.get(name)
            typed = str(self.data.get(self.add_prefix(name), ""))
            if isinstance(field, QuantityFormField) and value is not None and any(map(str.isalpha, typed)):
                self[name].help_text = f"Understood as {written(value, field.kind, self.unit_system)}."

    def grouped(self) -> list[tuple[str, list[forms.BoundField]]]:
        named = {name for _, names in self.groups for name in names}
        first = [self[name] for name in self.fields if name not in named and not self[name].is_hidden]
        groups = [(title, [self[name] for name in names if name in self.fields]) for title, names in self.groups]
        return [("", first), *groups] if first else groups


def day_input() -> forms.DateInput:
    return forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"})


def moment_input() -> forms.DateTimeInput:
    return forms.DateTimeInput(format="%Y-%m-%dT%H:%M", attrs={"type": "datetime-local"})
