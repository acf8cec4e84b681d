"""Tables as comma-separated values, for people and their spreadsheets."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Sequence
from typing import Any

STARTS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def cell(value: Any) -> Any:
    """A value for a spreadsheet's cell: text cannot start a formula, numbers stay numbers."""
    if value is None or (isinstance(value, float) and value != value):
        return ""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        text = json.dumps(value, ensure_ascii=False, default=str) if isinstance(value, (list, dict)) else str(value)
        return f"'{text}" if text.startswith(STARTS_A_FORMULA) else text
    return value


def as_csv(names: Sequence[str], rows: Iterable[Iterable[Any]]) -> str:
    """Comma-separated values with a header: RFC 4180, UTF-8, decimal points."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow(names)
    writer.writerows([cell(value) for value in row] for row in rows)
    return buffer.getvalue()
