"""What changed between two states of a record, as its page says it."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from typing import Any, NamedTuple

from django.core.exceptions import FieldDoesNotExist
from django.core.serializers.base import DeserializationError
from django.db.models import Field, ForeignKey, ManyToManyField, Model
from django.utils import timezone
from reversion.models import Version

from buildlog.quantities.fields import QuantityField
from buildlog.records.exact_json import Row, part_from, part_names
from buildlog.records.kept_states import changed_parts, parts_in
from buildlog.storage.columns import label_of
from calc.declaration import quantity_name
from calc.quantities import written
from calc.units import unit_of_name

LEFT_OUT = frozenset({"made_by", "made_at"})
LONGEST_TEXT = 400
NOTHING = "nothing"
UNREADABLE = "not readable any more"


class Difference(NamedTuple):
    label: str
    before: str
    after: str


class Words:
    """The words of one record's history; what linked records are called is read once for each."""

    def __init__(self, record: Model, unit_system: str) -> None:
        self.record, self.unit_system = record, unit_system
        self._names: dict[tuple[Any, Any], str] = {}

    def differences(self, earlier: Version, later: Version) -> Iterator[Difference]:
        """What differs between two kept states; both must be of the record."""
        before, after = earlier.field_dict, later.field_dict
        for column in (*self.record._meta.concrete_fields, *self.record._meta.local_many_to_many):
            if column.name in LEFT_OUT or column.primary_key:
                continue
            old, new = before.get(column.attname), after.get(column.attname)
            if isinstance(column, ManyToManyField):
                old, new = sorted(map(str, old or ())), sorted(map(str, new or ()))
            if old != new:
                label = str(column.verbose_name)
                label = label[:1].upper() + label[1:]
                yield Difference(label, self._text(column, old), self._text(column, new))
        for name in changed_parts(type(self.record), earlier, later):
            yield from self._of_parts(name, parts_in(earlier)[name], parts_in(later)[name])

    def _of_parts(self, name: str, before: list[Row], after: list[Row]) -> Iterator[Difference]:
        """Parts with keys one by one, whatever their places; others by their places, counted from 1."""
        label = part_names(type(self.record))[name]
        has_keys = any(row["pk"] is not None for row in (*before, *after))
        old, new = (
            {(row["pk"] if has_keys else place): self._of_part(name, row) for place, row in enumerate(rows, 1)}
            for rows in (before, after)
        )
        is_moved = True
        for key in (*old, *(key for key in new if key not in old)):
            was, became = old.get(key, NOTHING), new.get(key, NOTHING)
            if was != became:
                is_moved = False
                yield Difference(label if has_keys else f"{label} {key}", was, became)
        if has_keys and is_moved and list(old) != list(new):
            yield Difference("Order", "; ".join(old.values())[:LONGEST_TEXT], "; ".join(new.values())[:LONGEST_TEXT])

    def _of_part(self, name: str, row: Row) -> str:
        try:
            part = part_from(self.record, name, row)
        except DeserializationError:
            return UNREADABLE
        return str(part.in_history(self.unit_system))[:LONGEST_TEXT]

    def _called(self, model: Any, key: Any) -> str:
        if (model, key) not in self._names:
            linked = model._base_manager.filter(pk=key).first()
            self._names[model, key] = str(linked) if linked is not None else "a record that was deleted"
        return self._names[model, key]

    def _text(self, column: Field[Any, Any] | ManyToManyField[Any, Any], value: Any) -> str:
        """A stored value as a page writes it."""
        if value in (None, "", [], {}):
            return NOTHING
        if isinstance(column, QuantityField):
            return written(value, column.kind, self.unit_system)
        if isinstance(column, ManyToManyField):
            return ", ".join(self._called(column.related_model, key) for key in value)
        if isinstance(column, ForeignKey):
            return self._called(column.related_model, value)
        if column.choices:
            return str(dict(column.flatchoices).get(value, value))
        if hasattr(value, "tzinfo"):
            return f"{timezone.localtime(value):%Y-%m-%d %H:%M:%S}"
        if isinstance(value, list) and (lists := getattr(self.record, "history_lists", {}).get(column.name)):
            of_keys, of_columns = lists
            return ", ".join(self._named(of_keys, of_columns, item) for item in value)
        return _plain(value)[:LONGEST_TEXT]

    def _named(self, of_keys: Any, of_columns: Any, text: Any) -> str:
        """What an entry of a list names: a record of the first model by its key, or a column of the second."""
        try:
            return self._called(of_keys, uuid.UUID(str(text)))
        except ValueError:
            pass
        try:
            return label_of(of_columns, str(text))
        except FieldDoesNotExist:
            return str(text)


def _plain(value: Any) -> str:
    """What a column of JSON holds, with the units that its names end in."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, list):
        return "; ".join(_plain(item) for item in value)
    if isinstance(value, dict):
        return ", ".join(_named_value(str(name), item) for name, item in value.items() if item not in (None, ""))
    return str(value)


def _named_value(name: str, value: Any) -> str:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return f"{name.replace('_', ' ')} {_plain(value)}"
    return f"{quantity_name(name).replace('_', ' ')} {_plain(value)} {unit_of_name(name)}".strip()
