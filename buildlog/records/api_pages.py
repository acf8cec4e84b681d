"""Lists of the API a page at a time: by the place of a row, or by its number for those who ask so."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ValidationError
from django.db import DataError
from rest_framework.exceptions import NotFound
from rest_framework.pagination import CursorPagination, LimitOffsetPagination
from rest_framework.request import Request
from rest_framework.response import Response

ROWS, MOST_ROWS = 100, 500
"""So many by default, and at most: what a phone can hold."""
MOST_OFFSET = 10**9
"""An offset that every database accepts."""


class OffsetPages(LimitOffsetPagination):
    """Pages by `offset`, as addresses of earlier releases ask for them. Each counts and walks the whole list."""

    default_limit, max_limit = ROWS, MOST_ROWS

    def get_offset(self, request: Request) -> int:
        return min(super().get_offset(request), MOST_OFFSET)


class RecordPages(CursorPagination):
    """Pages by `cursor`, which `next` and `previous` hold: the last page costs what the first one does.

    `count` is known where the page holds the whole list, and null otherwise: counting reads all of it. With
    `offset`, also `offset=0`, a page is found by number and the list is counted.
    """

    page_size, max_page_size = ROWS, MOST_ROWS
    page_size_query_param = "limit"
    # Rows with the same first column of the order are told apart by their number: the readings of one session.
    offset_cutoff = MOST_OFFSET
    by_offset: OffsetPages | None = None

    def get_ordering(self, request: Request, queryset: Any, view: Any) -> tuple[str, ...]:
        order: tuple[str, ...] = view.page_order
        return order

    def paginate_queryset(self, queryset: Any, request: Request, view: Any = None) -> list[Any] | None:
        if "offset" in request.query_params:
            self.by_offset = OffsetPages()
            ordered = queryset.order_by(*self.get_ordering(request, queryset, view))
            return self.by_offset.paginate_queryset(ordered, request, view)
        try:
            return super().paginate_queryset(queryset, request, view)
        except (ValidationError, ValueError, OverflowError, DataError):
            # A cursor whose place is no value of the column.
            raise NotFound(self.invalid_cursor_message) from None

    def get_paginated_response(self, data: Any) -> Response:
        if self.by_offset is not None:
            return self.by_offset.get_paginated_response(data)
        following, previous = self.get_next_link(), self.get_previous_link()
        count = len(data) if following is None and previous is None else None
        return Response({"count": count, "next": following, "previous": previous, "results": data})

    def get_paginated_response_schema(self, schema: Any) -> dict[str, Any]:
        described: dict[str, Any] = super().get_paginated_response_schema(schema)
        count = {
            "type": "integer",
            "nullable": True,
            "description": "How many records the list has: known where the page holds all of them, or with offset.",
        }
        return {**described, "properties": {"count": count, **described["properties"]}}

    def get_schema_operation_parameters(self, view: Any) -> list[dict[str, Any]]:
        offset = {
            "name": "offset",
            "required": False,
            "in": "query",
            "description": "Instead of cursor: the number of records to leave out. The answer counts the list.",
            "schema": {"type": "integer"},
        }
        return [*super().get_schema_operation_parameters(view), offset]
