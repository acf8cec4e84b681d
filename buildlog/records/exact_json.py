"""Records as JSON that reads back exactly: the framework's own JSON drops the microseconds of a time.

Named in settings as the serialization format "exact"; the history of records is written in it. A record goes with its
parts: the rows that have no life of their own, as `history_parts` of its model names them with what a page calls one.
"""

from __future__ import annotations

import datetime
import json
from collections.abc import Iterable
from typing import Any

from django.core.serializers import json as framework_json
from django.core.serializers.json import Deserializer as Deserializer
from django.core.serializers.json import DjangoJSONEncoder
from django.db.models import ForeignKey, Model, UUIDField

FORMAT = "exact"

Row = dict[str, Any]
"""A part as it is kept: `pk`, None for one that has no key of its own, and `fields`, without its owner."""


class _Encoder(DjangoJSONEncoder):
    def default(self, value: Any) -> Any:
        return value.isoformat() if isinstance(value, datetime.datetime | datetime.time) else super().default(value)


class Serializer(framework_json.Serializer):
    def start_serialization(self) -> None:
        self.options["cls"] = _Encoder
        super().start_serialization()

    def get_dump_object(self, obj: Model) -> dict[str, Any]:
        data: dict[str, Any] = super().get_dump_object(obj)
        if parts := {name: part_rows(obj, name) for name in part_names(type(obj))}:
            data["parts"] = parts
        return data


def part_names(model: type[Model]) -> dict[str, str]:
    """The relations to a model's parts, each with what a page calls one of them."""
    names: dict[str, str] = getattr(model, "history_parts", {})
    return names


def part_model(model: type[Model], name: str) -> type[Model]:
    related: Any = model._meta.get_field(name).related_model
    return related  # type: ignore[no-any-return]


def owner_column(model: type[Model], name: str) -> ForeignKey[Any, Any]:
    """The column by which the parts of this name point to their owner."""
    relation: Any = model._meta.get_field(name)
    return relation.field  # type: ignore[no-any-return]


def part_rows(record: Model, name: str) -> list[Row]:
    """The parts of a record as they are stored now, in their order."""
    owner = owner_column(type(record), name)
    kind = part_model(type(record), name)
    order = list(kind._meta.ordering or ())
    return rows_of(record, name, kind._base_manager.filter(**{owner.name: record.pk}).order_by(*order))


def rows_of(record: Model, name: str, parts: Iterable[Model]) -> list[Row]:
    """These parts of a record as they are kept."""
    owner = owner_column(type(record), name)
    has_own_key = isinstance(part_model(type(record), name)._meta.pk, UUIDField)
    rows = []
    for row in json.loads(Serializer().serialize(parts)):
        row["fields"].pop(owner.name)
        rows.append({"pk": row["pk"] if has_own_key else None, "fields": row["fields"]})
    return rows


def part_from(record: Model, name: str, row: Row) -> Any:
    """The part that a row keeps, with its owner, not stored yet. Raises DeserializationError."""
    owner = owner_column(type(record), name)
    kind = part_model(type(record), name)
    data = {"model": kind._meta.label_lower, "pk": row["pk"], "fields": row["fields"] | {owner.name: str(record.pk)}}
    return next(iter(Deserializer(json.dumps([data]), ignorenonexistent=True))).object
