"""Template tags for quantities and states."""

from __future__ import annotations

from typing import Any

from django import template
from django.urls import reverse
from django.utils.html import format_html
from django.utils.safestring import SafeString

from buildlog.machines.specifications import CATEGORIES
from buildlog.people.roles import may_remove
from buildlog.quantities.declared import quantities_of, rows_of
from buildlog.quantities.fields import QuantityField
from calc.quantities import in_shown_unit, written, written_difference
from calc.written_limits import written_limits, written_span, written_within

register = template.Library()


@register.simple_tag(takes_context=True)
def quantity(context: Any, value: float | None, kind: str, u: float | None = None, digits: int = 4) -> str:
    """A stored number in the reader's unit, followed by ± twice its standard uncertainty if it has one."""
    return "" if value is None else written(value, kind, context.get("unit_system", "metric"), u, digits)


@register.simple_tag(takes_context=True)
def span(context: Any, low: float, high: float, kind: str, digits: int = 2) -> str:
    """Two stored numbers to the same place, with their unit once: "8.0 to 9.8 km/h"."""
    return written_span(low, high, kind, context.get("unit_system", "metric"), digits)


@register.inclusion_tag("quantities/rows.html", takes_context=True)
def quantity_rows(context: Any, record: Any) -> dict[str, Any]:
    """A record's known quantities, each with its label, as they are declared."""
    return {"rows": rows_of(record, context.get("unit_system", "metric"))}


@register.inclusion_tag("quantities/list.html", takes_context=True)
def quantity_list(context: Any, record: Any) -> dict[str, Any]:
    """The same rows in one line, beside a record's name in a table."""
    return quantity_rows(context, record)


@register.inclusion_tag("quantities/in_line.html", takes_context=True)
def quantities_in_line(context: Any, record: Any) -> dict[str, Any]:
    """The same rows in a line of key facts."""
    return quantity_rows(context, record)


@register.simple_tag
def quantity_columns(record: Any) -> list[QuantityField[Any, Any]]:
    """The columns of a table of such records."""
    return [field for field in quantities_of(record) if field.in_rows]


@register.simple_tag(takes_context=True)
def quantity_of(context: Any, record: Any, column: QuantityField[Any, Any]) -> str:
    return quantity(context, getattr(record, column.name), column.kind)


@register.simple_tag(takes_context=True)
def bare(context: Any, value: float, kind: str) -> str:
    return f"{in_shown_unit(value, kind, context.get('unit_system', 'metric')):.6g}"


@register.simple_tag(takes_context=True)
def specification(context: Any, part: Any) -> list[tuple[str, str]]:
    """A part's specification as (label, text), in the order of declaration."""
    return [
        (field.label, field.in_words(part.specification[field.name], context.get("unit_system", "metric")))
        for field in CATEGORIES[part.category].fields
        if field.name in part.specification
    ]


@register.simple_tag(takes_context=True)
def difference(context: Any, value: float, kind: str, digits: int = 4) -> str:
    """A difference or spread in the reader's unit, without the offset of scales such as °C and °F."""
    return written_difference(value, kind, context.get("unit_system", "metric"), digits)


@register.simple_tag(takes_context=True)
def estimate(context: Any, interval: Any, kind: str = "ratio", value: float | None = None) -> str:
    """The estimate of an interval, or another value in it, with no more digits than its limits allow."""
    estimated = interval.estimate if value is None else value
    return written_within(estimated, interval.lower, interval.upper, kind, context.get("unit_system", "metric"))


@register.simple_tag(takes_context=True)
def limits(context: Any, interval: Any, kind: str = "ratio") -> str:
    """Both limits of an interval, with no more digits than their distance allows."""
    return written_limits(interval.lower, interval.upper, kind, context.get("unit_system", "metric"))


@register.simple_tag(takes_context=True)
def remove_link(context: Any, page: str, record: Any, css_class: str = "") -> SafeString | str:
    """The link to the page that removes a record, for accounts that may remove it."""
    if not may_remove(context["user"], record):
        return ""
    attribute = format_html(' class="{}"', css_class) if css_class else ""
    return format_html('<a{} href="{}">Delete</a>', attribute, reverse(page, args=[record.pk]))
