"""Long lists, the newest first, a page at a time.

A page is asked for by a row's place in the order (its time and key) and not by a number: the database goes straight to
it by an index, however far down it is, and rows that are stored meanwhile move nothing.
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from django.core.exceptions import ObjectDoesNotExist
from django.db.models import DateTimeField, Q, QuerySet
from django.http import Http404

ROWS_AT_ONCE = 50
START = "start"
"""In the place of a row: before the oldest."""


@dataclass(frozen=True)
class ListPage:
    """Rows, and the places to ask for the rows before and after them; "" where there are none."""

    rows: list[Any] = field(default_factory=list)
    newer: str = ""
    older: str = ""


def list_page(
    rows: QuerySet[Any],
    asked: Mapping[str, str],
    *,
    moment: str = "started_at",
    size: int = ROWS_AT_ONCE,
    descending: bool = True,
) -> ListPage:
    """The page that an address asks for by `before=` or `after=` the place of a row; the first by default.

    `moment` names the column of the order, a time or a number that every row has. It needs an index of this column and
    the key, in this order. `newer` leads up the list, and `older` down, also where the oldest or smallest come first.
    """
    is_time = isinstance(rows.model._meta.get_field(moment), DateTimeField)
    up, down = ("gt", "lt") if descending else ("lt", "gt")
    in_order = rows.order_by(*([f"-{moment}", "-pk"] if descending else [moment, "pk"]))
    in_reverse = rows.order_by(*([moment, "pk"] if descending else [f"-{moment}", "-pk"]))
    if place := _place(asked.get("before", ""), is_time):
        page = list(in_order.filter(_beyond(place, moment, down))[: size + 1])
        if page:
            return _page(page[:size], moment, has_newer=True, has_older=len(page) > size)
    after = asked.get("after", "")
    if place := _place(after, is_time):
        page = list(in_reverse.filter(_beyond(place, moment, up))[: size + 1])
        if len(page) > size:
            return _page(page[size - 1 :: -1], moment, has_newer=True, has_older=True)
    elif after == START:
        page = list(in_reverse[: size + 1])
        return _page(page[:size][::-1], moment, has_newer=len(page) > size, has_older=False)
    page = list(in_order[: size + 1])
    return _page(page[:size], moment, has_newer=False, has_older=len(page) > size)


def asked_record(records: QuerySet[Any], key: str | None) -> Any:
    """The record whose key an address names, or None where it names none. Raises Http404 for an unknown key."""
    if not key:
        return None
    try:
        return records.get(pk=uuid.UUID(key))
    except (ValueError, ObjectDoesNotExist):
        raise Http404(f"There is no {records.model._meta.verbose_name} {key[:40]}.") from None


def _page(rows: list[Any], moment: str, *, has_newer: bool, has_older: bool) -> ListPage:
    return ListPage(
        rows,
        newer=_place_of(rows[0], moment) if has_newer else "",
        older=_place_of(rows[-1], moment) if has_older else "",
    )


def _place_of(row: Any, moment: str) -> str:
    at: datetime | float = getattr(row, moment)
    text = at.astimezone(UTC).replace(tzinfo=None).isoformat() if isinstance(at, datetime) else repr(float(at))
    return f"{text}_{row.pk.hex}"


def _place(text: str, is_time: bool) -> tuple[datetime | float, uuid.UUID] | None:
    """The time or number and the key of a row, or None for what is no place in this order."""
    at, _, key = text.partition("_")
    try:
        if is_time:
            return datetime.fromisoformat(at).replace(tzinfo=UTC), uuid.UUID(key)
        number = float(at)
        return (number, uuid.UUID(key)) if math.isfinite(number) else None
    except (ValueError, OverflowError):
        return None


def _beyond(place: tuple[datetime | float, uuid.UUID], moment: str, side: str) -> Q:
    """Rows on one side of a place. The first condition alone is what an index can begin from."""
    at, key = place
    return Q(**{f"{moment}__{side}e": at}) & (Q(**{f"{moment}__{side}": at}) | Q(**{f"pk__{side}": key}))
