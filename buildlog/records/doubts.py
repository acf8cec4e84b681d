"""What is doubted about a record, as the API says it. Rooms that know the rules register how it is read."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterable
from typing import Any

from django.db.models import Model

DOUBTS = "doubts"
"""The key of a record's doubts in answers of the API. They are no content of the record, and no part of its version."""
Reader = Callable[[Any], list[dict[str, Any]]]
ManyReader = Callable[[list[Any]], dict[uuid.UUID, list[dict[str, Any]]]]
_READERS: dict[type[Model], tuple[Reader, ManyReader]] = {}


def register(model: type[Model], reader: Reader, of_many: ManyReader) -> None:
    """Let the API answer with what `reader` returns for a record of this kind, and `of_many` for each of several."""
    _READERS[model] = reader, of_many


def doubts_as_json(model: type[Model], key: Any, stored: Any = None) -> dict[str, Any]:
    """The doubts of a stored record under their key; nothing for kinds of records that are not asked about.

    stored: the record, where it was stored just now. One that belongs to a session has read all that is asked of it.
    """
    if model not in _READERS:
        return {}
    if getattr(stored, "session_id", None) is not None:
        return {DOUBTS: _READERS[model][0](stored)}
    rows = model._default_manager.order_by().filter(pk=key)
    if any(field.name == "session" for field in model._meta.fields):
        # What belongs to a session is held against it.
        rows = rows.select_related("session")
    record = rows.first()
    return {} if record is None else {DOUBTS: _READERS[model][0](record)}


def add_doubts(model: type[Model], rows: Iterable[dict[str, Any]]) -> None:
    """Add the doubts of stored records to their rows, which hold the key under `id`."""
    if model not in _READERS:
        return
    by_key = {uuid.UUID(str(row["id"])): row for row in rows}
    doubts = _READERS[model][1](list(model._default_manager.filter(pk__in=by_key)))
    for key, row in by_key.items():
        row[DOUBTS] = doubts.get(key, [])
