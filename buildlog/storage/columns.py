"""The columns of a model by their names."""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from itertools import islice
from typing import Any

import numpy as np
from django.core.exceptions import FieldDoesNotExist
from django.db import connection
from django.db.models import CharField, ExpressionWrapper, Field, Model, QuerySet
from django.db.models.expressions import Combinable
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
    """A key or a moment as the database writes it: tens of thousands are compared as text, without building objects."""
    return Cast(column, CharField())


def key_as_text(key: uuid.UUID) -> str:
    """A key as `as_text` gives it: databases without a type for keys write them without hyphens."""
    return str(key) if connection.features.has_native_uuid_field else key.hex


def as_stored(expression: Combinable) -> ExpressionWrapper[Any]:
    """An expression's value as the database gives it: Django calls a function for each number that it works out."""
    return ExpressionWrapper(expression, output_field=CharField())


BLOCK_ROWS = 2_000


def column_blocks(rows: QuerySet[Any], names: Sequence[str]) -> Iterator[list[tuple[Any, ...]]]:
    """The columns of these names, some thousands of rows at a time: as plain values they take ten times the memory of
    the arrays that are made of them."""
    values = iter(rows.values_list(*names).iterator(BLOCK_ROWS))
    while block := list(islice(values, BLOCK_ROWS)):
        yield list(zip(*block, strict=True))


def floats(values: Sequence[float | None]) -> Any:
    """A column of numbers as an array, NaN where one is not known.

    Most columns have every value or none, and numpy takes long over each None.
    """
    unknown = values.count(None)
    if unknown == len(values):
        return np.full(len(values), np.nan)
    return np.fromiter(values, np.float64) if not unknown else np.array(values, dtype=np.float64)


def moments(texts: Sequence[str]) -> list[datetime]:
    """Moments that were asked for by `as_text`: what Django makes of a column of them takes ten times as long."""
    read = map(datetime.fromisoformat, texts)
    return [moment if moment.tzinfo else moment.replace(tzinfo=UTC) for moment in read]
