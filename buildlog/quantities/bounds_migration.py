"""Adds bounds to tables that were filled before the database had them."""

from __future__ import annotations

import logging
from collections.abc import Iterable
from typing import Any

from django.db import migrations
from django.db.migrations.operations.base import Operation
from django.db.models import TextField

from buildlog.quantities.joined_steps import added_constraints

logger = logging.getLogger(__name__)
FREE_TEXT = ("notes", "conditions", "purpose", "note", "invalid_reason")
"""Free-text columns: the first of them that a table has records a value that was out of bounds."""


def set_aside_what_is_beyond(app_label: str, operations: Iterable[Operation]) -> migrations.RunPython:
    """A first step for a migration whose other steps add the bounds of quantities.

    Every page and interface checked these bounds already, so hardly any row is beyond them. A value beyond them
    becomes unknown, or the nearest bound where the column must have a value. The old value is kept in the record's
    notes and in the server's log.
    """
    bounds = [added for added in added_constraints(operations) if added.constraint.name.endswith("_bounds")]

    def forwards(apps: Any, schema_editor: Any) -> None:
        for bound in bounds:
            model = apps.get_model(app_label, bound.model_name)
            name = bound.constraint.name.removeprefix(f"{bound.model_name}_").removesuffix("_within_bounds")
            for record in model.objects.using(schema_editor.connection.alias).exclude(bound.constraint.condition):
                _set_aside(record, name, bound)

    return migrations.RunPython(forwards, migrations.RunPython.noop)


def _set_aside(record: Any, name: str, bound: Any) -> None:
    value = getattr(record, name)
    column = record._meta.get_field(name)
    setattr(record, name, None if column.null else _nearest(value, bound))
    changed = [name]
    columns = {field.name for field in record._meta.concrete_fields}
    text = next((name for name in FREE_TEXT if name in columns), "")
    sentence = f"{name} was {value:g}, which is not possible; an update removed it."
    if text and isinstance(record._meta.get_field(text), TextField):
        setattr(record, text, f"{getattr(record, text)}\n{sentence}".strip())
        changed.append(text)
    logger.warning("%s %s: %s", record._meta.label, record.pk, sentence)
    record.save(update_fields=changed)


def _nearest(value: float, bound: Any) -> float:
    lookups = {key.rpartition("__")[2]: limit for key, limit in _flat(bound.constraint.condition)}
    low = lookups.get("gte", lookups.get("gt", value))
    # Smaller than any step in which a stored quantity is typed.
    least = low if "gte" in lookups else low + 1e-6
    return float(min(max(value, least), lookups.get("lte", value)))


def _flat(condition: Any) -> Iterable[tuple[str, Any]]:
    for child in condition.children:
        if isinstance(child, tuple):
            yield child
        else:
            yield from _flat(child)
