"""The columns of a model by their names."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import FieldDoesNotExist
from django.db.models import Field, Model


def column_of(model: type[Model] | Model, name: str) -> Field[Any, Any]:
    """A column that the model itself stores. Raises FieldDoesNotExist, also for a relation from another model."""
    field = model._meta.get_field(name)
    if not isinstance(field, Field):
        raise FieldDoesNotExist(f"{model._meta.label} stores no column {name!r}")
    return field


def label_of(model: type[Model] | Model, name: str) -> str:
    """What pages call a column."""
    return str(column_of(model, name).verbose_name)
