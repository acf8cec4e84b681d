"""Spreadsheets, JSON lines and long tables, written anew as plain text with one column for each value.

From there on they are read like any logger's file. Long tables have one value in each line: a time, a name, a value.
"""

from __future__ import annotations

import csv
import io
import itertools
import json
import math
import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import date, datetime, time, timedelta
from tempfile import TemporaryFile
from typing import IO, Any

from sessions.logs.csv_layout import MOST_COLUMNS, find_layout, split_line
from sessions.logs.file_kinds import CSV, JSON_LINES, LONG, SHEET
from sessions.logs.number_marks import is_number
from sessions.logs.series import MOST_ROWS, NotARecording, are
from sessions.logs.unpacking import Unpacked

PLAIN = {"encoding": "utf-8", "delimiter": "\t", "decimal": "."}
"""How the plain text is written."""
REWRITTEN = (SHEET, JSON_LINES, LONG)
MOST_DEPTH, LONGEST_LIST = 4, 64
LONGEST_JSON_LINE = 1024 * 1024
LARGEST_JSON_LIST_BYTES = 60 * 1024 * 1024
"""A list is in memory whole while it is read."""
_NAME_WORDS = re.compile(r"\b(name|signal|channel|key|metric|parameter|variable|sensor|measurement|topic|item)\b", re.I)
_VALUE_WORDS = re.compile(r"\b(value|reading|val|wert|data)\b", re.I)
_HEAD_BYTES = 1024
_PAUSE = re.compile(r"[\s,]*")


@contextmanager
def plain_table(content: Unpacked) -> Iterator[Unpacked]:
    """A table of any kind as text with delimiters. Raises NotARecording with a sentence."""
    writer = {SHEET: _from_sheet, JSON_LINES: _from_json_lines, LONG: _from_long_table}.get(content.kind)
    if writer is None:
        yield content
        return
    with TemporaryFile() as target:
        notes = list(content.notes)
        text = io.TextIOWrapper(target, encoding="utf-8", newline="")
        try:
            writer(content, csv.writer(text, delimiter="\t", lineterminator="\n"), notes)
        finally:
            # The text is closed by its name alone: the file is still to be read.
            text.flush()
            text.detach()
        size = target.tell()
        target.seek(0)
        yield Unpacked(target, size, content.name, content.kind, notes)


def _as_text(cell: Any) -> str:
    """A cell as a logger would have written it."""
    if cell is None or cell == "":
        return ""
    if isinstance(cell, bool):
        return "1" if cell else "0"
    if isinstance(cell, float):
        return repr(cell) if math.isfinite(cell) else ""
    if isinstance(cell, datetime):
        return cell.isoformat(" ")
    if isinstance(cell, date | time):
        return cell.isoformat()
    if isinstance(cell, timedelta):
        whole, seconds = divmod(cell.total_seconds(), 60.0)
        return f"{int(whole) // 60}:{int(whole) % 60:02}:{seconds:09.6f}"
    return " ".join(str(cell).split())[:200]


def _from_sheet(content: Unpacked, writer: Any, notes: list[str]) -> None:
    """The sheet with most cells; the others are named."""
    # Imported where it is needed: a compiled library, for a file that is rare.
    from python_calamine import CalamineError, CalamineWorkbook

    try:
        book = CalamineWorkbook.from_filelike(content.file)
        sheets = [book.get_sheet_by_name(name) for name in book.sheet_names[:50]]
    except (CalamineError, OSError, ValueError) as error:
        raise NotARecording(f"The spreadsheet cannot be read ({str(error)[:80]}). Export its sheet as CSV.") from None
    sheets = [sheet for sheet in sheets if sheet.height and sheet.width]
    if not sheets:
        raise NotARecording("The spreadsheet holds no cell. Export the sheet with the log.")
    chosen = max(sheets, key=lambda sheet: sheet.height * sheet.width)
    if len(sheets) > 1:
        left = ", ".join(sheet.name[:30] for sheet in sheets if sheet is not chosen)
        notes.append(f"Of the spreadsheet the sheet “{chosen.name[:30]}” is read, the largest; not read: {left}.")
    for row in chosen.iter_rows():
        writer.writerow([_as_text(cell) for cell in row])


def _from_json_lines(content: Unpacked, writer: Any, notes: list[str]) -> None:
    """One object in each line, or a list of objects; values within values are named by their way, as in gps.lat and
    cells.3."""
    names: dict[str, None] = {}
    bad = first_bad = 0
    content.file.seek(0)
    is_list = content.file.read(_HEAD_BYTES).lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"[")
    if is_list and content.size > LARGEST_JSON_LIST_BYTES:
        raise NotARecording(
            f"A JSON list may have {LARGEST_JSON_LIST_BYTES / 1e6:.0f} MB. Save it with one object in each line."
        )
    rows, part = (_json_list, "objects") if is_list else (_json_rows, "lines")
    for line, row in rows(content.file):
        if row is None:
            bad, first_bad = bad + 1, first_bad or line
            continue
        names.update(dict.fromkeys(row))
        if len(names) > MOST_COLUMNS:
            raise NotARecording(f"The {part} hold more than {MOST_COLUMNS} different values. Export fewer of them.")
    if not names:
        where = "The list" if is_list else "The file"
        raise NotARecording(f'{where} holds no object with values, such as {{"t": 0.1, "voltage": 52.4}}.')
    if bad and is_list:
        notes.append(f"The list breaks off at object {first_bad}: what comes before is read.")
    elif bad:
        notes.append(f"{are(bad, 'lines')} left out, no whole JSON object; the first is line {first_bad}.")
    writer.writerow(names)
    for _, row in rows(content.file):
        if row is not None:
            writer.writerow([_as_text(row.get(name)) for name in names])


def _json_rows(file: IO[bytes]) -> Iterator[tuple[int, dict[str, Any] | None]]:
    file.seek(0)
    text = io.TextIOWrapper(file, encoding="utf-8-sig", errors="replace")
    try:
        for line in itertools.count(1):
            written = text.readline(LONGEST_JSON_LINE)
            if not written:
                return
            if line > MOST_ROWS:
                raise NotARecording(f"The log has more than {MOST_ROWS:,} lines. Export a part of it.")
            if not (written := written.strip().rstrip(",")):
                continue
            try:
                parsed = json.loads(written)
            except (ValueError, RecursionError):
                parsed = None
            yield line, dict(_flat(parsed)) if isinstance(parsed, dict) else None
    finally:
        text.detach()


def _json_list(file: IO[bytes]) -> Iterator[tuple[int, dict[str, Any] | None]]:
    """The objects of a list, numbered from one; None, and then nothing, where it breaks off."""
    file.seek(0)
    written = file.read().decode("utf-8-sig", errors="replace")
    decoder = json.JSONDecoder()
    at = written.index("[") + 1
    for number in itertools.count(1):
        at = _PAUSE.match(written, at).end()  # type: ignore[union-attr]  # it matches nothing as well
        if written[at : at + 1] == "]":
            return
        if number > MOST_ROWS:
            raise NotARecording(f"The list has more than {MOST_ROWS:,} objects. Export a part of it.")
        try:
            parsed, at = decoder.raw_decode(written, at)
        except (ValueError, RecursionError):
            yield number, None
            return
        if isinstance(parsed, dict):
            yield number, dict(_flat(parsed))


def _flat(value: Any, way: str = "", depth: int = 0) -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict | list) and depth < MOST_DEPTH:
        pairs = value.items() if isinstance(value, dict) else enumerate(value[:LONGEST_LIST], start=1)
        for key, inner in pairs:
            yield from _flat(inner, f"{way}.{key}"[:60] if way else str(key)[:60], depth + 1)
    elif not isinstance(value, dict | list) and way:
        yield way, value


def is_long_table(file: IO[bytes], size: int) -> bool:
    """Whether a text file has one value in each line: a time, a name, a value, and perhaps a unit."""
    return _long_columns(file, size) is not None


def _long_columns(file: IO[bytes], size: int) -> tuple[Any, int, int, int | None] | None:
    """The layout of a long table, and which columns hold name, value and unit; None for any other file."""
    try:
        head = find_layout(file, size)
    except NotARecording:
        return None
    width, rows = head.layout.width, head.rows
    if width not in (3, 4) or len(rows) < 4:
        return None
    columns = [[row[place] for row in rows] for place in range(width)]
    words = [place for place in range(width) if not any(is_number(cell) for cell in columns[place] if cell)]
    numbers = [place for place in range(width) if all(is_number(cell) for cell in columns[place])]
    if not words or len(words) + len(numbers) != width or len(numbers) != 2 or numbers[0] != 0:
        return None
    value = numbers[1]
    by_header = [place for place in words if _NAME_WORDS.search(head.layout.names[place])]
    name = by_header[0] if by_header else words[0]
    says_so = bool(by_header) and bool(_VALUE_WORDS.search(head.layout.names[value]))
    stamps: dict[str, set[str]] = {}
    for row in rows:
        stamps.setdefault(row[0], set()).add(row[name])
    shares_stamps = len(rows) >= 2 * len(stamps) or max(map(len, stamps.values())) > 1
    if not (says_so or shares_stamps):
        return None
    unit = next((place for place in words if place != name), None)
    return head.layout, name, value, unit


def _from_long_table(content: Unpacked, writer: Any, notes: list[str]) -> None:
    """Values with one time become one row; a name that comes twice at one time keeps its last value."""
    places = _long_columns(content.file, content.size)
    if places is None:
        raise NotARecording("The table has not one time, one name and one value in each line.")
    layout, name_place, value_place, unit_place = places
    names: dict[str, str] = {}
    for cells in _lines(content.file, layout):
        name = cells[name_place][:60]
        if name not in names or not names[name]:
            names[name] = cells[unit_place][:12] if unit_place is not None else ""
        if len(names) > MOST_COLUMNS - 1:
            raise NotARecording(f"The table names more than {MOST_COLUMNS - 1} different values. Export fewer of them.")
    title = layout.names[0] or "time"
    unit = f" [{layout.units[0]}]" if layout.units[0] else ""
    writer.writerow([f"{title}{unit}", *(f"{name} [{of}]" if of else name for name, of in names.items())])
    place_of = {name: place for place, name in enumerate(names, start=1)}
    row: list[str] = []
    count = 0
    for cells in _lines(content.file, layout):
        if not row or cells[0] != row[0]:
            if row:
                writer.writerow(row)
                count += 1
            row = [cells[0], *[""] * len(names)]
        # A decimal comma is seen in the value itself: a few lines of the head need not have one.
        row[place_of[cells[name_place][:60]]] = (
            cells[value_place].replace(",", ".") if layout.delimiter != "," else cells[value_place]
        )
    if row:
        writer.writerow(row)
    notes.append(f"A long table: its {len(names)} names became columns, and lines of one time one row.")


def _lines(file: IO[bytes], layout: Any) -> Iterable[list[str]]:
    file.seek(0)
    text = io.TextIOWrapper(file, encoding=layout.encoding, errors="replace")
    try:
        for line in itertools.islice(text, layout.first_line - 1, None):
            cells = split_line(line.rstrip("\r\n"), layout.delimiter)
            if len(cells) == layout.width and cells[0]:
                yield cells
    finally:
        text.detach()


def kind_of_table(content: Unpacked) -> str:
    """CSV or a long table: they differ in their columns only."""
    return LONG if content.kind == CSV and is_long_table(content.file, content.size) else content.kind
