"""What is doubted about a record, as the API says it. Rooms that know the rules register how it is read."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.db.models import Model

DOUBTS = "doubts"
"""The key of a record's doubts in answers of the API. They are no content of the record, and no part of its version."""
Reader = Callable[[Any], list[dict[str, Any]]]
_READERS: dict[type[Model], Reader] = {}


def register(model: type[Model], reader: Reader) -> None:
    """Let the API answer with what `reader` returns for a record of this kind."""
    _READERS[model] = reader


def has_doubts(model: type[Model]) -> bool:
    return model in _READERS


def doubts_as_json(model: type[Model], key: Any) -> dict[str, Any]:
    """The doubts of a stored record under their key; nothing for kinds of records that are not asked about."""
    reader = _READERS.get(model)
    if reader is None:
        return {}
    rows = model._default_manager.order_by().filter(pk=key)
    if any(field.name == "session" for field in model._meta.fields):
        # What belongs to a session is held against it.
        rows = rows.select_related("session")
    record = rows.first()
    return {} if record is None else {DOUBTS: reader(record)}
