"""What a form began from, and how what was typed comes together with what was stored meanwhile.

A form that changes a record carries, in a hidden field, what it showed when it was opened. When it comes
back, each field is looked at three times: as it was then, as it was typed, and as it is stored now. What
was typed is written where nobody else changed it; what others changed stays; where both changed the same
thing differently, a person chooses.
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
"""What one field of a form holds, as a browser sends it."""


@dataclass(frozen=True)
class Beginning:
    """What a form showed when it was opened."""

    shown: Mapping[str, Text]
    unit_system: str
    belongs_to: Mapping[str, str] = field(default_factory=dict)
    """Keys of what the record hangs on, for the case that it is removed meanwhile."""
    undecided: frozenset[str] = frozenset()
    """Fields that were shown in both versions, for a person to choose."""

    @classmethod
    def of(cls, form: RecordForm[Any], undecided: frozenset[str] = frozenset()) -> Beginning:
        """As an unbound form shows the record that is stored."""
        return cls(
            {name: shown(form[name]) for name in form.fields if name != BEGAN_FROM},
            form.unit_system,
            {name: str(form.instance.serializable_value(name)) for name in form.belongs_to},
            undecided,
        )

    @classmethod
    def read(cls, posted: QueryDict) -> Beginning | None:
        """What a form that came back says it began from; None for one that does not say, or not as we wrote it."""
        try:
            data = json.loads(posted.get(BEGAN_FROM, ""))
            # Half a character, which JSON can say, could not be shown again.
            json.dumps(data, ensure_ascii=False).encode()
            kept = {str(name): _text(value) for name, value in data["shown"].items()}
            parents = {str(name): str(value) for name, value in data["belongs_to"].items()}
            units = data["units"] if data["units"] in UNITS else UNITS[0]
            return cls(kept, units, parents, frozenset(str(name) for name in data["undecided"]))
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
            return None

    def as_text(self) -> str:
        return json.dumps(
            {
                "shown": self.shown,
                "units": self.unit_system,
                "belongs_to": self.belongs_to,
                "undecided": sorted(self.undecided),
            },
            ensure_ascii=False,
        )


@dataclass(frozen=True)
class Change:
    """A field that was changed elsewhere, in words."""

    name: str
    label: str
    began: str
    stored: str


@dataclass(frozen=True)
class Conflict:
    """Fields that say one thing together, changed here and elsewhere to different things."""

    names: tuple[str, ...]
    changes: tuple[Change, ...]
    was_asked: bool

    @property
    def key(self) -> str:
        return self.names[0]

    @property
    def label(self) -> str:
        return ", ".join(one.label.lower() if position else one.label for position, one in enumerate(self.changes))

    @property
    def choice_name(self) -> str:
        return choice_name(self.key)


def choice_name(key: str) -> str:
    return f"keep_{key}"


class Merge:
    """What was typed, laid over what is stored now.

    `data` is what the form is bound to; `written` names the fields whose typed value counts. The others
    keep what is stored, exactly. `changed` names those of them that say something new.
    """

    def __init__(self, stored: RecordForm[Any], posted: QueryDict, began: Beginning | None) -> None:
        self.stored, self.posted, self.began = stored, posted, began
        self.data: MultiValueDict[str, str] = posted.copy()
        self.written: set[str] = set()
        self.changed: set[str] = set()
        self.conflicts: list[Conflict] = []
        self.elsewhere: list[Change] = []
        for names in self._units():
            self._meet(names)
        self.beginning = Beginning.of(stored, frozenset(one.key for one in self.conflicts))
        self.data[BEGAN_FROM] = self.beginning.as_text()

    @property
    def set_apart(self) -> frozenset[str]:
        return frozenset(name for one in self.conflicts for name in one.names)

    def _units(self) -> Iterator[tuple[str, ...]]:
        """Fields that only mean something together stand together; each other one stands alone."""
        names = [name for name in self.stored.fields if name != BEGAN_FROM]
        group_of = {name: group for group in self.stored.together for name in group}
        units = (tuple(one for one in names if one in group_of.get(name, (name,))) for name in names)
        yield from dict.fromkeys(units)

    def _meet(self, names: tuple[str, ...]) -> None:
        now = {name: shown(self.stored[name]) for name in names}
        typed = {name: self._typed(name) for name in names}
        began = {name: self.began.shown.get(name) if self.began else None for name in names}
        changed_here = [
            name for name, text in typed.items() if text is not None and not self._same(name, text, began[name])
        ]
        # Where nobody knows what a form showed, whatever is stored may be new; into what is empty anybody may write.
        changed_elsewhere = [
            name for name, text in now.items() if not self._same(name, text, "" if began[name] is None else began[name])
        ]
        differs = [name for name, text in typed.items() if text is not None and not self._same(name, text, now[name])]
        asked = self.began is not None and names[0] in self.began.undecided
        choice = self.posted.get(choice_name(names[0])) if asked else None
        if not changed_here or not differs or choice == STORED:
            self._keep_stored(now)
            if choice != STORED:
                self.elsewhere += [self._change(name) for name in changed_elsewhere if name in differs]
        elif changed_elsewhere or (asked and choice != MINE):
            changes = tuple(self._change(name) for name in names if name in differs or name in changed_elsewhere)
            self.conflicts.append(Conflict(names, changes, was_asked=asked))
        else:
            self._keep_stored({name: now[name] for name in names if typed[name] is None})
            # One of them may be worked out from the others, as a time is from its frames.
            self.written.update(name for name in names if typed[name] is not None)
            self.changed.update(differs)

    def _typed(self, name: str) -> Text | None:
        """What was typed into a field; None where the form that came back has no such field."""
        widget = self.stored.fields[name].widget
        unknown = self.began is not None and name not in self.began.shown and name not in self.posted
        if unknown or widget.value_omitted_from_data(self.posted, {}, name):
            return None
        value = widget.value_from_datadict(self.posted, {}, name)
        return _text(("on" if value else "") if isinstance(widget, forms.CheckboxInput) else value)

    def _same(self, name: str, one: Text, other: Text | None) -> bool:
        """Whether two texts of a field say the same: 10 and 10.0 do, and so do 38 and 38 Ah."""
        if one == other:
            return True
        asked = self.stored.fields[name]
        if other is None or isinstance(asked, (forms.ChoiceField, forms.BooleanField)):
            return False
        try:
            return bool(asked.to_python(one) == asked.to_python(other))
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
        began = self.began.shown.get(name, "") if self.began else ""
        return Change(name, str(bound.label), in_words(bound, began), in_words(bound, shown(bound)))


def shown(bound: forms.BoundField) -> Text:
    """What a field of an unbound form shows, as a browser would send it back."""
    widget, value = bound.field.widget, bound.value()
    if isinstance(widget, forms.CheckboxInput):
        return "on" if value else ""
    if isinstance(bound.field, (forms.MultipleChoiceField, forms.ModelMultipleChoiceField)):
        return _text([str(one) for one in value or ()])
    value = widget.format_value(value)
    return _text(value[0] if isinstance(value, (list, tuple)) and value else value or "")


def _text(value: Any) -> Text:
    """One form for what means the same: browsers end lines their own way, and send lists in any order."""
    if isinstance(value, (list, tuple)):
        return sorted(str(one) for one in value)
    return "" if value is None else str(value).replace("\r\n", "\n").replace("\r", "\n").strip()


def in_words(bound: forms.BoundField, text: Text) -> str:
    """A field's content for people: the words of a choice, the unit of a quantity."""
    asked = bound.field
    if isinstance(asked.widget, forms.CheckboxInput):
        return "yes" if text else "no"
    if not text:
        return "empty"
    if isinstance(asked, forms.ModelChoiceField):
        return ", ".join(asked.label_from_instance(one) for one in _chosen(asked, text)) or "no longer there"
    if isinstance(asked, forms.ChoiceField):
        return str({str(value): label for value, label in choices_of(asked)}.get(str(text), text))
    if isinstance(asked, QuantityFormField):
        return f"{text} {asked.widget.unit_label}".strip()
    return str(text).replace("T", " ") if isinstance(asked, forms.DateTimeField) else str(text)


def choices_of(asked: forms.ChoiceField) -> list[tuple[Any, Any]]:
    """The choices of a field as pairs, or groups of pairs, whatever they were set from."""
    choices: Any = asked.choices
    return list(choices)


def _chosen(asked: forms.ModelChoiceField[Any], text: Text) -> list[Model]:
    keys = text if isinstance(text, list) else [text]
    try:
        return [] if asked.queryset is None else list(asked.queryset.filter(pk__in=keys))
    except (ValidationError, ValueError):
        return []
