"""The cells of an old notebook's file, as text: CSV, or a spreadsheet (XLSX, XLS, ODS)."""

from __future__ import annotations

import csv
import io
import zipfile
from datetime import date, datetime, time, timedelta
from typing import Any

from python_calamine import CalamineError, CalamineWorkbook

LARGEST_BYTES = 5 * 1024 * 1024
LARGEST_UNPACKED_BYTES = 100 * 1024 * 1024
MOST_ROWS, MOST_COLUMNS = 5000, 80
_DELIMITERS = ",;\t"


class NotATable(ValueError):
    """A file that cannot be read as a table. The message is a sentence for people."""


def read_cells(content: bytes, name: str) -> list[list[str]]:
    """The rows of a file, each with as many cells; rows and columns without any text are left out at its ends.

    Of a workbook the first sheet with more than one row is taken. Raises NotATable.
    """
    if len(content) > LARGEST_BYTES:
        raise NotATable(f"The file has {len(content) / 1e6:.0f} MB; at most {LARGEST_BYTES / 1e6:.0f} MB are read.")
    is_workbook = content[:2] == b"PK" or content[:4] == b"\xd0\xcf\x11\xe0"
    rows = _of_workbook(content) if is_workbook else _of_text(content, name)
    rows = [[cell.replace("\0", "").strip() for cell in row] for row in rows]
    while rows and not any(rows[-1]):
        rows.pop()
    while rows and not any(rows[0]):
        rows.pop(0)
    width = max((index + 1 for row in rows for index, cell in enumerate(row) if cell), default=0)
    if len(rows) < 2 or width < 2:
        raise NotATable("There is no table in it: a row of headings, and a row for each session below it.")
    if len(rows) > MOST_ROWS or width > MOST_COLUMNS:
        raise NotATable(f"At most {MOST_ROWS} rows and {MOST_COLUMNS} columns are read at once. Split it, by season.")
    return [(row + [""] * width)[:width] for row in rows]


def _of_text(content: bytes, name: str) -> list[list[str]]:
    for encoding in ("utf-8-sig", "utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "cp1252"):
        try:
            text = content.decode(encoding)
            break
        except UnicodeDecodeError:
            continue
    else:
        raise NotATable(f"{name} is neither a spreadsheet nor text. Save it as XLSX or CSV.")
    if text.startswith("%PDF"):
        raise NotATable(f"{name} is a PDF. Save the table as XLSX or CSV.")
    head = "\n".join(text.splitlines()[:20])
    delimiter = max(_DELIMITERS, key=head.count)
    try:
        return list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))
    except csv.Error as error:
        raise NotATable(f"{name} cannot be read as a table: {error}.") from None


def _of_workbook(content: bytes) -> list[list[str]]:
    try:
        if content[:2] == b"PK":
            with zipfile.ZipFile(io.BytesIO(content)) as package:
                if sum(entry.file_size for entry in package.infolist()) > LARGEST_UNPACKED_BYTES:
                    raise NotATable("The spreadsheet unpacks to more than a notebook can hold.")
        workbook = CalamineWorkbook.from_filelike(io.BytesIO(content))
        for name in workbook.sheet_names:
            rows = workbook.get_sheet_by_name(name).to_python(skip_empty_area=True, nrows=MOST_ROWS + 1)
            if len(rows) > 1:
                return [[_text(cell) for cell in row] for row in rows]
    except (CalamineError, zipfile.BadZipFile, OSError, ValueError) as error:
        if isinstance(error, NotATable):
            raise
        raise NotATable("This spreadsheet cannot be read. Save it again as XLSX, or as CSV.") from None
    raise NotATable("No sheet of it holds a table: a row of headings, and a row for each session below it.")


def _text(cell: Any) -> str:
    """A cell as a person would type it."""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float):
        return f"{cell:.12g}"
    if isinstance(cell, datetime):
        return cell.strftime("%Y-%m-%d") if cell.time() == time() else cell.strftime("%Y-%m-%d %H:%M:%S")
    if isinstance(cell, (date, time)):
        return cell.isoformat()
    if isinstance(cell, timedelta):
        minutes, seconds = divmod(round(cell.total_seconds()), 60)
        return f"{minutes // 60} h {minutes % 60} min {seconds} s"
    return str(cell)
