"""Derived from the quantities a model declares: names for forms and the API, rows, the glossary."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, NamedTuple

from django.db.models import Model

from buildlog.quantities.fields import QuantityField
from calc.kinds import KINDS
from calc.quantities import written
from calc.units import registry


def quantities_of(model: type[Model] | Model) -> list[QuantityField[Any, Any]]:
    """The quantity fields of a model, in the order of its columns."""
    return [field for field in model._meta.concrete_fields if isinstance(field, QuantityField)]


def quantity_names(model: type[Model], group: str | None = None, **after: str) -> tuple[str, ...]:
    """The names of a model's quantities, or of one group of them.

    Keywords insert columns of other kinds: `distance_m="distance_method"` puts the method after the distance.
    """
    names: list[str] = []
    for field in quantities_of(model):
        if group is None or field.group == group:
            names.append(field.name)
            if field.name in after:
                names.append(after[field.name])
    return tuple(names)


class Row(NamedTuple):
    heading: str
    text: str


def rows_of(record: Model, unit_system: str) -> list[Row]:
    """A record's quantities as a page shows them: those that are known, in the reader's units."""
    rows = []
    for field in quantities_of(record):
        value = getattr(record, field.name)
        if value is None or not field.in_rows:
            continue
        how = getattr(record, f"get_{field.how}_display")() if field.how and getattr(record, field.how) else ""
        heading = f"{field.heading} ({how.lower()})" if how else field.heading
        rows.append(Row(heading, written(value, field.kind, unit_system)))
    return rows


class GlossaryLine(NamedTuple):
    name: str
    kind: str
    unit: str
    label: str


def glossary(models: Iterable[type[Model]]) -> list[GlossaryLine]:
    """One line for each stored quantity: its name, kind, stored unit and label."""
    return [
        GlossaryLine(
            f"{model.__name__}.{field.name}",
            field.kind,
            f"{registry().Unit(KINDS[field.kind].stored):~P}" or "1",
            str(field.verbose_name),
        )
        for model in models
        for field in quantities_of(model)
    ]
