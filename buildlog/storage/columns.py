"""The columns of a model by their names."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import FieldDoesNotExist
from django.db.models import CharField, Field, Model
from django.db.models.functions import Cast


def column_of(model: type[Model] | Model, name: str) -> Field[Any, Any]:
    """A column that the model itself stores. Raises FieldDoesNotExist, also for a relation from another model."""
    field = model._meta.get_field(name)
    if not isinstance(field, Field):
        raise FieldDoesNotExist(f"{model._meta.label} stores no column {name!r}")
    return field


def label_of(model: type[Model] | Model, name: str) -> str:
    """The label of a column on pages."""
    return str(column_of(model, name).verbose_name)


def as_text(column: str) -> Cast:
    """A key as the database writes it: tens of thousands of them are compared as text, without building objects."""
    return Cast(column, CharField())
