"""What every form of a record has in common: quantities in the reader's units, and whole groups."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from django import forms
from django.db.models import Model, QuerySet

from buildlog.quantities.fields import QuantityFormField
from buildlog.records.form_merge import BEGAN_FROM, Beginning, choices_of
from calc.quantities import written

Record = TypeVar("Record", bound=Model)


class RecordForm(forms.ModelForm[Record]):
    """A model form in the reader's unit system.

    `groups` names the fields that stand together under a heading; fields in no group come first.
    `together` names the fields that only mean something together, such as a distance and how it is known:
    what two people change at one moment is never mixed within them. `belongs_to` names what the record
    hangs on and the form does not ask for.
    """

    groups: tuple[tuple[str, tuple[str, ...]], ...] = ()
    together: tuple[tuple[str, ...], ...] = ()
    belongs_to: tuple[str, ...] = ()
    is_always_there = False
    """Whether the record stands for defaults until somebody stores it, and so is never new."""
    can_be_made_anew = True
    """Whether what the form asks for is enough to make the record again after it was removed."""

    def __init__(self, *args: Any, unit_system: str = "metric", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.unit_system = unit_system
        self.written: frozenset[str] | None = None
        self.set_apart: frozenset[str] = frozenset()
        self.dress()

    def carry(self, beginning: Beginning) -> None:
        """Carry along, unseen, what the form showed when it was opened."""
        field = forms.CharField(required=False, widget=forms.HiddenInput, initial=beginning.as_text())
        self.fields[BEGAN_FROM] = field

    @classmethod
    def lock(cls, record: Any) -> None:
        """Keep others from changing what the form writes beside the record, until it is stored."""

    def writes(self, name: str) -> bool:
        """Whether what stands in a field is to be written; else what is stored stays exactly as it is."""
        return self.written is None or name in self.written

    def _post_clean(self) -> None:
        """What is not written is not taken from the form, which may show less than is stored."""
        columns = self._meta.model._meta
        for column in (*columns.concrete_fields, *columns.many_to_many):
            if not self.writes(column.name):
                self.cleaned_data.pop(column.name, None)
        super()._post_clean()  # type: ignore[misc]  # the stubs leave this step of the framework out

    def dress(self) -> None:
        """Give quantities the reader's units, long texts the whole width, and the empty choice a word."""
        field: Any  # templates ask each whether it is wide, which is no attribute of the framework's
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
        field.choices = [(value, word if value == "" else label) for value, label in choices_of(field)]

    def record_choice(self, name: str) -> forms.ModelChoiceField[Any]:
        """The field by which a person chooses among records. Raises TypeError for a field of another kind."""
        field = self.fields[name]
        if not isinstance(field, forms.ModelChoiceField):
            raise TypeError(f"{name} is no choice among records")
        return field

    def offer(self, name: str, records: QuerySet[Any], label: Callable[[Any], str] | None = None) -> None:
        """Let a person choose among these records, each under its own name or the label given here."""
        field = self.record_choice(name)
        field.queryset = records
        if label is not None:
            # Rather than a class of field for each label.
            field.label_from_instance = label  # type: ignore[method-assign,assignment]

    def say_what_was_understood(self) -> None:
        """Beside each quantity that was typed with a unit: the value it was read as."""
        for name, value in self.cleaned_data.items():
            field = self.fields.get(name)
            typed = str(self.data.get(self.add_prefix(name), ""))
            if isinstance(field, QuantityFormField) and value is not None and any(map(str.isalpha, typed)):
                self[name].help_text = f"Understood as {written(value, field.kind, self.unit_system)}."

    def grouped(self) -> list[tuple[str, list[forms.BoundField]]]:
        named = {name for _, names in self.groups for name in names}
        here = [name for name in self.fields if name not in self.set_apart and not self[name].is_hidden]
        first = [self[name] for name in here if name not in named]
        groups = [(title, [self[name] for name in names if name in here]) for title, names in self.groups]
        return [group for group in [("", first), *groups] if group[1]]


def day_input() -> forms.DateInput:
    return forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"})


def moment_input() -> forms.DateTimeInput:
    return forms.DateTimeInput(format="%Y-%m-%dT%H:%M", attrs={"type": "datetime-local"})
