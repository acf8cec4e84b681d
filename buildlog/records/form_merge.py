"""Merges a form with changes that others stored while it was open.

A form that changes a record carries, in a hidden field, what it showed when it was opened. When it is sent, each
field is compared in three versions: as it was then, as it was typed, and as it is stored now. A typed value is
written where nobody else changed the field; changes by others stay; where both changed the same field differently,
a person chooses.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import Model
from django.http import QueryDict
from django.utils.datastructures import MultiValueDict

from buildlog.quantities.fields import QuantityFormField

if TYPE_CHECKING:
    from buildlog.records.forms import RecordForm

BEGAN_FROM = "began_from"
MINE, STORED = "mine", "stored"
UNITS = ("metric", "imperial")

Text = str | list[str]
"""The content of one form field, as a browser sends it."""


def _key(value: Any) -> str:
    return "" if value is None else str(value)


@dataclass(frozen=True)
class Beginning:
    """What a form showed when it was opened."""

    texts: Mapping[str, Text]
    unit_system: str
    belongs_to: Mapping[str, str] = field(default_factory=dict)
    """Keys of the records it belongs to, for the case that the record is removed meanwhile."""
    undecided: frozenset[str] = frozenset()
    """Fields that were shown in both versions, so that a person can choose."""

    @classmethod
    def of(cls, form: RecordForm[Any], undecided: frozenset[str] = frozenset()) -> Beginning:
        """What an unbound form of the stored record shows."""
        return cls(
            {name: shown_text(form[name]) for name in form.fields if name != BEGAN_FROM},
            form.unit_system,
            {name: _key(form.instance.serializable_value(name)) for name in form.belongs_to},
            undecided,
        )

    @classmethod
    def read(cls, posted: QueryDict) -> Beginning | None:
        """Read it from a sent form; None where it is missing or malformed."""
        try:
            data = json.loads(posted.get(BEGAN_FROM, ""))
            # Refuses lone surrogates, which JSON allows and UTF-8 does not.
            json.dumps(data, ensure_ascii=False).encode()
            texts = {str(name): _text(value) for name, value in data["shown"].items()}
            parents = {str(name): str(value) for name, value in data["belongs_to"].items()}
            units = data["units"] if data["units"] in UNITS else UNITS[0]
            return cls(texts, units, parents, frozenset(str(name) for name in data["undecided"]))
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
            return None

    def as_text(self) -> str:
        return json.dumps(
            {
                "shown": self.texts,
                "units": self.unit_system,
                "belongs_to": self.belongs_to,
                "undecided": sorted(self.undecided),
            },
            ensure_ascii=False,
        )


@dataclass(frozen=True)
class Change:
    """A field that was changed elsewhere, as texts for people."""

    name: str
    label: str
    began: str
    stored: str


@dataclass(frozen=True)
class Conflict:
    """Fields that belong together and were changed differently here and elsewhere."""

    names: tuple[str, ...]
    changes: tuple[Change, ...]
    was_asked: bool
    """Whether the person has already been asked to choose."""

    @property
    def key(self) -> str:
        return self.names[0]

    @property
    def label(self) -> str:
        first, *others = (change.label for change in self.changes)
        return ", ".join([first, *(label.lower() for label in others)])

    @property
    def choice_name(self) -> str:
        return choice_name(self.key)


def choice_name(key: str) -> str:
    return f"keep_{key}"


class Merge:
    """The typed values, merged with what is stored now.

    `data` is what the form is bound to; `written` names the fields whose typed value is stored. The others keep
    exactly what is stored. `changed` names the written fields whose value differs from the stored one.
    """

    def __init__(self, stored: RecordForm[Any], posted: QueryDict, began: Beginning | None) -> None:
        self.stored, self.posted, self.began = stored, posted, began
        self.data: MultiValueDict[str, str] = posted.copy()
        self.written: set[str] = set()
        self.changed: set[str] = set()
        self.conflicts: list[Conflict] = []
        self.elsewhere: list[Change] = []
        for names in self._field_groups():
            self._merge(names)
        self.beginning = Beginning.of(stored, frozenset(conflict.key for conflict in self.conflicts))
        self.data[BEGAN_FROM] = self.beginning.as_text()

    @property
    def conflicting_names(self) -> frozenset[str]:
        return frozenset(name for conflict in self.conflicts for name in conflict.names)

    def _field_groups(self) -> Iterator[tuple[str, ...]]:
        """Groups of fields that only mean something together; every other field is a group by itself."""
        names = [name for name in self.stored.fields if name != BEGAN_FROM]
        group_of = {name: group for group in self.stored.together for name in group}
        groups = (tuple(member for member in names if member in group_of.get(name, (name,))) for name in names)
        yield from dict.fromkeys(groups)

    def _merge(self, names: tuple[str, ...]) -> None:
        now = {name: shown_text(self.stored[name]) for name in names}
        typed = {name: self._typed(name) for name in names}
        began = {name: self.began.texts.get(name) if self.began else None for name in names}
        changed_here = [
            name for name, text in typed.items() if text is not None and not self._is_same(name, text, began[name])
        ]
        # If it is unknown what the form showed, any stored value may be new; an empty field may always be written.
        changed_elsewhere = [
            name
            for name, text in now.items()
            if not self._is_same(name, text, "" if began[name] is None else began[name])
        ]
        differs = [
            name for name, text in typed.items() if text is not None and not self._is_same(name, text, now[name])
        ]
        was_asked = self.began is not None and names[0] in self.began.undecided
        choice = self.posted.get(choice_name(names[0])) if was_asked else None
        if not changed_here or not differs or choice == STORED:
            self._keep_stored(now)
            if choice != STORED:
                self.elsewhere += [self._change(name) for name in changed_elsewhere if name in differs]
        elif changed_elsewhere or (was_asked and choice != MINE):
            changes = tuple(self._change(name) for name in names if name in differs or name in changed_elsewhere)
            self.conflicts.append(Conflict(names, changes, was_asked=was_asked))
        else:
            self._keep_stored({name: now[name] for name in names if typed[name] is None})
            # One of them may be worked out from the others, as a time from its video frames.
            self.written.update(name for name in names if typed[name] is not None)
            self.changed.update(differs)

    def _typed(self, name: str) -> Text | None:
        """What was typed into a field; None if the sent form has no such field."""
        widget = self.stored.fields[name].widget
        unknown = self.began is not None and name not in self.began.texts and name not in self.posted
        if unknown or widget.value_omitted_from_data(self.posted, {}, name):
            return None
        value = widget.value_from_datadict(self.posted, {}, name)
        return _text(("on" if value else "") if isinstance(widget, forms.CheckboxInput) else value)

    def _is_same(self, name: str, first: Text, second: Text | None) -> bool:
        """Whether two texts of a field mean the same value, as 10 and 10.0 do, or 38 and 38 Ah."""
        if first == second:
            return True
        field = self.stored.fields[name]
        if second is None or isinstance(field, (forms.ChoiceField, forms.BooleanField)):
            return False
        if isinstance(second, list) and not isinstance(first, list):
            # A forged beginning: a field of one value never began from several.
            return False
        try:
            return bool(field.to_python(first) == field.to_python(second))
        except (ValidationError, ValueError, OverflowError):
            return False

    def _keep_stored(self, now: Mapping[str, Text]) -> None:
        for name, text in now.items():
            if isinstance(text, list):
                self.data.setlist(name, text)
            elif text or not isinstance(self.stored.fields[name].widget, forms.CheckboxInput):
                self.data[name] = text
            else:
                self.data.pop(name, None)

    def _change(self, name: str) -> Change:
        bound = self.stored[name]
        began = self.began.texts.get(name, "") if self.began else ""
        return Change(name, str(bound.label), in_words(bound, began), in_words(bound, shown_text(bound)))


def shown_text(bound: forms.BoundField) -> Text:
    """What a field of an unbound form shows, as a browser would send it back."""
    widget, value = bound.field.widget, bound.value()
    if isinstance(widget, forms.CheckboxInput):
        return "on" if value else ""
    if isinstance(bound.field, (forms.MultipleChoiceField, forms.ModelMultipleChoiceField)):
        return _text([str(choice) for choice in value or ()])
    value = widget.format_value(value)
    return _text(value[0] if isinstance(value, (list, tuple)) and value else value or "")


def _text(value: Any) -> Text:
    """Normalise a text or list: browsers differ in line ends, and send lists in any order."""
    if isinstance(value, (list, tuple)):
        return sorted(str(item) for item in value)
    return "" if value is None else str(value).replace("\r\n", "\n").replace("\r", "\n").strip()


def in_words(bound: forms.BoundField, text: Text) -> str:
    """A field's content for people: with the label of a choice, or the unit of a quantity."""
    field = bound.field
    if isinstance(field.widget, forms.CheckboxInput):
        return "yes" if text else "no"
    if not text:
        return "empty"
    if isinstance(field, forms.ModelChoiceField):
        return ", ".join(field.label_from_instance(record) for record in _chosen(field, text)) or "no longer there"
    if isinstance(field, forms.ChoiceField):
        return str({str(value): label for value, label in choices_of(field)}.get(str(text), text))
    if isinstance(field, QuantityFormField):
        return f"{text} {field.widget.unit_label}".strip()
    return str(text).replace("T", " ") if isinstance(field, forms.DateTimeField) else str(text)


def choices_of(field: forms.ChoiceField) -> list[tuple[Any, Any]]:
    """The choices of a field as pairs, or groups of pairs, whatever they were set from."""
    choices: Any = field.choices
    return list(choices)


def _chosen(field: forms.ModelChoiceField[Any], text: Text) -> list[Model]:
    keys = text if isinstance(text, list) else [text]
    try:
        return [] if field.queryset is None else list(field.queryset.filter(pk__in=keys))
    except (ValidationError, ValueError):
        return []
