"""What every form of a record has in common: quantities in the reader's units, and groups of fields."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple, TypeVar

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import Model, QuerySet
from django.forms.utils import ErrorDict
from django.http import QueryDict

from buildlog.quantities.fields import QuantityFormField
from buildlog.records.choices import ChoiceOrNew
from buildlog.records.form_merge import BEGAN_FROM, Beginning, choices_of
from buildlog.records.moments import read_as_written
from calc.quantities import written
from calc.typed_values import clock_words

Record = TypeVar("Record", bound=Model)


FILL = "fill"
"""The name of a button that fills in what is likely, and stores nothing."""
FIND = "find"
"""The name of the buttons that search; their value is the name of the field."""
OFFERED = 20


def search_name(name: str) -> str:
    """The name of the box that searches the records of a field."""
    return f"search_{name}"


class Search(NamedTuple):
    """The search box of a field, as its template shows it."""

    field: str
    name: str
    text: str
    hint: str
    outcome: str


class Making(NamedTuple):
    """A page that makes a record for a choice of a form, and what its button says."""

    page: str
    label: str


class RecordForm(forms.ModelForm[Record]):
    """A model form in the reader's unit system.

    `groups` names the fields under each heading; fields in no group come first. `together` names the fields that
    only mean something together, such as a distance and how it is known: concurrent changes by two people are
    never mixed within them. `belongs_to` names the parents of the record, which the form does not ask for.
    """

    groups: tuple[tuple[str, tuple[str, ...]], ...] = ()
    together: tuple[tuple[str, ...], ...] = ()
    belongs_to: tuple[str, ...] = ()
    searched: tuple[str, ...] = ()
    """Fields that choose among more records than a page can list: see `offer_some`."""
    makes: dict[str, Making] = {}
    """Fields whose record can be made on a page of its own: this form waits, and comes back with it chosen."""
    fill_words = ""
    """What the form can fill in by itself, in words; "" for nothing."""
    has_defaults = False
    """Whether defaults apply until somebody stores the record, so that its form always changes something."""
    can_be_recreated = True
    """Whether the form has all that is needed to create the record again after it was removed."""

    def __init__(self, *args: Any, unit_system: str = "metric", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.unit_system = unit_system
        self.written: frozenset[str] | None = None
        self.conflicting_names: frozenset[str] = frozenset()
        self.prepare_fields()

    def carry(self, beginning: Beginning) -> None:
        """Add a hidden field with what the form showed when it was opened."""
        field = forms.CharField(required=False, widget=forms.HiddenInput, initial=beginning.as_text())
        self.fields[BEGAN_FROM] = field

    @classmethod
    def lock(cls, record: Any) -> None:
        """Lock other records that the form writes, until it is stored."""

    def writes(self, name: str) -> bool:
        """Whether a field's typed value is stored; if not, the stored value stays exactly as it is."""
        return self.written is None or name in self.written

    def _post_clean(self) -> None:
        """Drop values that are not written: the form may show fewer digits than are stored."""
        columns = self._meta.model._meta
        for column in (*columns.concrete_fields, *columns.many_to_many):
            if not self.writes(column.name):
                self.cleaned_data.pop(column.name, None)
        super()._post_clean()  # type: ignore[misc]  # the stubs leave this step of the framework out

    def prepare_fields(self) -> None:
        """Give quantities the reader's units, long texts the full width, and the empty choice a label."""
        field: Any  # `wide`, which templates read, is not an attribute of the framework
        for field in self.fields.values():
            if isinstance(field, QuantityFormField):
                field.use_system(self.unit_system)
            if isinstance(field, forms.DateTimeField):
                read_as_written(field)
            if isinstance(field.widget, forms.Textarea):
                field.widget.attrs["rows"] = 3
            field.wide = isinstance(field.widget, (forms.Textarea, forms.CheckboxSelectMultiple))
            if isinstance(field, forms.ChoiceField) and isinstance(field.widget, forms.Select):
                self._name_the_empty_choice(field)

    def _name_the_empty_choice(self, field: forms.ChoiceField) -> None:
        label = "Choose one" if field.required else "Not known"
        if isinstance(field, forms.ModelChoiceField):
            if field.empty_label is not None:
                field.empty_label = label
            return
        field.choices = [(value, label if value == "" else text) for value, text in choices_of(field)]

    def record_choice(self, name: str) -> forms.ModelChoiceField[Any]:
        """The field by which a person chooses among records. Raises TypeError for a field of another kind."""
        field = self.fields[name]
        if not isinstance(field, forms.ModelChoiceField):
            raise TypeError(f"{name} is no choice among records")
        return field

    def offer(self, name: str, records: QuerySet[Any], label: Callable[[Any], str] | None = None) -> None:
        """Let a person choose among these records, each under its own name or by `label`."""
        field = self.record_choice(name)
        field.queryset = records
        if label is not None:
            # Simpler than one field class for each label.
            field.label_from_instance = label  # type: ignore[method-assign,assignment]

    def offer_some(
        self,
        name: str,
        records: QuerySet[Any],
        matching: Callable[[QuerySet[Any], str], QuerySet[Any]],
        hint: str,
    ) -> None:
        """Let a person choose among the first of these records, or search all of them by a text.

        Listed are the first `OFFERED` that `matching` finds by the text in the field's search box, and what is chosen.
        """
        field: Any = self.record_choice(name)
        field.queryset = records
        # PostgreSQL refuses the character NUL in any text.
        text = str(self.data.get(search_name(name), "")).replace("\0", "").strip()
        listed = list((matching(records, text) if text else records)[:OFFERED])
        chosen = _record_of(records, self[name].value())
        if chosen is not None and chosen not in listed:
            listed.insert(0, chosen)
        empty = [] if field.empty_label is None else [("", field.empty_label)]
        field.choices = [*empty, *((record.pk, field.label_from_instance(record)) for record in listed)]
        field.search = Search(name, search_name(name), text, hint, self._outcome(text, listed, chosen))

    @staticmethod
    def _outcome(text: str, listed: list[Any], chosen: Any) -> str:
        if not text:
            return ""
        count = len(listed) - (chosen in listed[:1])
        if not count:
            return "None found."
        return f"{f'The newest {OFFERED} that fit' if count >= OFFERED else f'{count} found'}. Choose above."

    @classmethod
    def is_search(cls, data: Mapping[str, str]) -> bool:
        """Whether a sent form asks for a search: by its button, or with a text in the box that was not searched yet."""
        for name in cls.searched:
            text = data.get(search_name(name), "").strip()
            if data.get(FIND) == name or (text and text != data.get(f"searched_{name}", "").strip()):
                return True
        return False

    @classmethod
    def is_filled_by(cls, data: Mapping[str, str]) -> bool:
        """Whether a sent form asks for values that it can fill in by itself."""
        return FILL in data

    @classmethod
    def filled(cls, data: QueryDict, unit_system: str) -> QueryDict:
        """What was sent, with the values that were asked for where nothing was typed."""
        return data

    def leave_unchecked(self) -> None:
        """Show what was typed, and what was found, without looking for mistakes: nothing was to be stored."""
        self._errors = ErrorDict()
        self.cleaned_data = {}
        for name in self.searched:
            if FIND in self.data or self.data.get(search_name(name)):
                self.fields[name].widget.attrs["autofocus"] = True

    def understood(self) -> dict[str, str]:
        """What each typed quantity was read as, in words."""
        words = {}
        for name, field in self.fields.items():
            if isinstance(field, QuantityFormField) and name not in self.conflicting_names:
                try:
                    value = field.to_python(self.data.get(self.add_prefix(name), ""))
                except ValidationError:
                    continue
                if value is not None:
                    words[name] = written(value, field.kind, self.unit_system)
        return words

    def show_understood_values(self) -> None:
        """Show below each typed quantity the value it was read as."""
        bound: Any  # `understood`, `making` and `opened`, which templates read, are no attributes of the framework
        for name, words in self.understood().items():
            bound = self[name]
            bound.understood = words

    def clocks_in_words(self) -> list[str]:
        """How each clock was read that could be two times: "0:35" is 35 min or 35 s."""
        lines = []
        for name, field in self.fields.items():
            if isinstance(field, QuantityFormField) and name in self.changed_data:
                lines.append(clock_words(str(self.data.get(self.add_prefix(name), "")), field.kind))
        return [line for line in lines if line]

    def grouped(self) -> list[tuple[str, list[forms.BoundField]]]:
        named = {name for _, names in self.groups for name in names}
        opened: set[str] = set()
        bound: Any
        for name, field in self.fields.items():
            bound = self[name]
            bound.making = self.makes.get(name)
            if isinstance(field, ChoiceOrNew):
                bound.opened = [self[inner] for inner in field.opens]
                opened.update(field.opens)
        hidden = {*self.conflicting_names, *opened, *(name for name in self.fields if self[name].is_hidden)}
        visible = [name for name in self.fields if name not in hidden]
        first = [self[name] for name in visible if name not in named]
        groups = [(title, [self[name] for name in names if name in visible]) for title, names in self.groups]
        return [group for group in [("", first), *groups] if group[1]]


def _record_of(records: QuerySet[Any], key: Any) -> Any:
    try:
        return records.filter(pk=key).first() if key else None
    except (ValidationError, ValueError):
        return None
