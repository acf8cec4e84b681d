"""Reading a logger's file, a block of lines at a time, into the columns that a person gave a meaning.

Numbers are parsed by numpy's own reader. A block it refuses is read cell by cell, so that one bad cell
costs its own value and nothing else; what was left out is counted and reported. Memory holds one block of
text and the chosen numbers.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import IO, Any

import numpy as np

from sessions.logs.csv_layout import ENCODINGS, NOT_MEASURED, Head, Layout, split_line
from sessions.logs.logger_time import TextTimes, seconds_from
from sessions.logs.meanings import BY_COLUMN, DATE, IGNORE, TIME, ColumnChoice, Mapping, to_stored
from sessions.logs.series import MOST_ROWS, NotARecording, Recording, running_forwards

LARGEST_BYTES = 400 * 1024 * 1024
BLOCK_CHARACTERS = 4 * 1024 * 1024
MOST_BAD_SHARE = 0.2
"""A column with more cells than this that are no numbers is not what it was taken for (common practice, no source)."""


@dataclass
class _Bad:
    """What could not be read, counted for the notes."""

    short_rows: int = 0
    first_short_line: int = 0
    cells: dict[int, int] = field(default_factory=dict)
    first: dict[int, tuple[int, str]] = field(default_factory=dict)

    def cell(self, index: int, line: int, text: str) -> None:
        self.cells[index] = self.cells.get(index, 0) + 1
        self.first.setdefault(index, (line, text[:30]))

    def row(self, line: int) -> None:
        self.short_rows += 1
        self.first_short_line = self.first_short_line or line


def read_csv(file: IO[bytes], size: int, layout: Layout, mapping: Mapping, zone: Any = UTC) -> Recording:
    """The recording in a logger's file.

    `zone` is the time zone of times without one. Raises NotARecording with a sentence.
    """
    if size > LARGEST_BYTES:
        raise NotARecording(f"The file has {size / 1e6:.0f} MB; at most {LARGEST_BYTES / 1e6:.0f} MB are allowed.")
    _check(layout, mapping)
    texts = _text_columns(mapping)
    times = TextTimes(texts[0].unit) if texts else None
    numeric = [choice for choice in mapping.choices if choice not in texts and choice.meaning != IGNORE]
    chunks: list[list[Any]] = [[] for _ in numeric]
    stamps: list[Any] = []
    bad = _Bad()
    count, line = 0, layout.first_line
    for block in _blocks(file, layout):
        numbers, stamp_texts = _read_block(
            block, line, layout, [choice.index for choice in numeric], [choice.index for choice in texts], bad
        )
        line += block.count("\n")
        if times is not None:
            stamps.append(times.seconds(stamp_texts))
        for position, chunk in enumerate(chunks):
            chunk.append(numbers[:, position].copy())
        count += numbers.shape[0]
        if count > MOST_ROWS:
            raise NotARecording(
                f"The log has more than {MOST_ROWS:,} rows. Export a part of it, or fewer rows a second."
            )
    if not count:
        raise NotARecording(f"There is no row of data from line {layout.first_line} on.")
    columns = {}
    for chunk, choice in zip(chunks, numeric, strict=True):
        values = np.concatenate(chunk)
        # Released column by column, so that memory holds the numbers once, not twice.
        chunk.clear()
        columns[choice.meaning] = _column(values, choice, layout, bad, count)
    return _recording(columns, np.concatenate(stamps) if times else None, times, mapping, layout, bad, count, zone)


def first_row(head: Head, mapping: Mapping, zone: Any = UTC) -> dict[str, float | str]:
    """How the first row of data is understood: stored values by their meaning, the time in words."""
    values: dict[str, float | str] = {}
    texts = _text_columns(mapping)
    row = head.rows[0]
    for choice in mapping.choices:
        meaning = BY_COLUMN.get(choice.meaning)
        if meaning is None or not choice.index < len(row) or choice.unit not in meaning.units:
            continue
        if choice in texts:
            times = TextTimes(texts[0].unit)
            seconds = times.seconds([" ".join(row[text.index] for text in texts)])
            moment = times.finished(seconds, zone)[1]
            clock = f"{seconds[0]:g} s since midnight" if not times.bad else ""
            values[choice.meaning] = f"{moment.astimezone(zone):%Y-%m-%d %H:%M:%S}" if moment else clock
            continue
        value = _number(row[choice.index], head.layout)
        if value is None or math.isnan(value):
            continue
        if choice.meaning == TIME:
            seconds, moment = seconds_from(np.array([value]), choice.unit)
            values[TIME] = f"{moment.astimezone(zone):%Y-%m-%d %H:%M:%S}" if moment else f"{float(seconds[0]):g} s"
        else:
            values[choice.meaning] = float(to_stored(meaning, choice.unit, value, choice.flipped))
    return values


def _check(layout: Layout, mapping: Mapping) -> None:
    seen: set[str] = set()
    for choice in mapping.choices:
        if choice.meaning == IGNORE:
            continue
        if not 0 <= choice.index < layout.width or choice.meaning not in BY_COLUMN:
            raise NotARecording("A column that the file does not have was given a meaning. Look at the columns again.")
        meaning = BY_COLUMN[choice.meaning]
        if choice.meaning in seen:
            raise NotARecording(f"Two columns are taken for {meaning.label}; choose one and ignore the other.")
        if choice.unit not in meaning.units:
            raise NotARecording(
                f"{layout.names[choice.index]} cannot be in {choice.unit[:20]!r}. Choose a unit of the list."
            )
        seen.add(choice.meaning)
    if TIME not in seen and not mapping.interval_s:
        raise NotARecording("No column is taken for the time. Choose it, or say how many seconds lie between two rows.")
    if DATE in seen and not _text_columns(mapping)[1:]:
        raise NotARecording("A column is taken for the date alone; choose the column with the time of day beside it.")
    if not seen - {TIME, DATE}:
        raise NotARecording("No column is taken for a measured value. Choose at least one, such as the pack voltage.")
    if ("lat_deg" in seen) != ("lon_deg" in seen):
        raise NotARecording("A position needs latitude and longitude: choose both, or none of them.")
    if mapping.interval_s is not None and not 1e-4 <= mapping.interval_s <= 3600:
        raise NotARecording("The seconds between two rows must be from 0.0001 to 3600, for example 0.1.")


def _blocks(file: IO[bytes], layout: Layout) -> Any:
    """Text of whole lines, from the first line of data on."""
    file.seek(0)
    text = io.TextIOWrapper(file, encoding=layout.encoding, errors="strict", newline=None)
    line = layout.first_line
    try:
        for _ in range(layout.first_line - 1):
            text.readline()
        while block := text.read(BLOCK_CHARACTERS):
            block += text.readline()
            if "\0" in block:
                at = line + block.count("\n", 0, block.index("\0"))
                raise NotARecording(f"Line {at} holds a zero byte: the logger broke off there. Export the log again.")
            yield block
            line += block.count("\n")
    except UnicodeDecodeError:
        raise NotARecording(
            f"After line {line} something cannot be read as {ENCODINGS[layout.encoding]}. Choose another encoding."
        ) from None
    finally:
        # The file belongs to the caller; a wrapper that is collected would close it.
        text.detach()
        file.seek(0)


def _text_columns(mapping: Mapping) -> list[ColumnChoice]:
    """The columns that hold the time as text: a date and its time of day may be in two."""
    date, time = mapping.of(DATE), mapping.of(TIME)
    if time is None or not TextTimes.reads(time.unit):
        return []
    return [date, time] if date is not None else [time]


def _read_block(
    block: str, first_line: int, layout: Layout, indices: list[int], texts: list[int], bad: _Bad
) -> tuple[Any, list[str]]:
    """Numbers of the chosen columns, and the times of each row where they are text."""
    fast = _by_numpy(block, layout, indices, texts)
    return fast if fast is not None else _by_cell(block, first_line, layout, indices, texts, bad)


def _by_numpy(block: str, layout: Layout, indices: list[int], texts: list[int]) -> tuple[Any, list[str]] | None:
    """The block by numpy's reader, or None unless it holds only whole rows of plain numbers."""
    delimiter = layout.delimiter
    if '"' in block or layout.grouped or block.isspace():
        return None
    cut = None if delimiter == " " else delimiter
    stamp_texts: list[str] = []
    if texts:
        last = max(texts) + 1
        rows = (line.split(cut, last) for line in block.split("\n") if line and not line.isspace())
        try:
            stamp_texts = [" ".join([row[index] for index in texts]) for row in rows]
        except IndexError:
            return None
    if layout.decimal == ",":
        block = block.replace(",", ".")
    if cut:
        # An empty cell is nothing measured; twice, because the cells of a row of empty ones share their delimiters.
        for _ in range(2):
            block = block.replace(cut * 2, f"{cut}nan{cut}")
        block = block.replace(f"{cut}\n", f"{cut}nan\n")
    try:
        numbers = np.loadtxt(io.StringIO(block), delimiter=cut, usecols=indices, ndmin=2, comments=None)
    except (ValueError, IndexError):
        return None
    if np.isinf(numbers).any() or (texts and len(stamp_texts) != numbers.shape[0]):
        return None
    return numbers, stamp_texts


def _by_cell(
    block: str, first_line: int, layout: Layout, indices: list[int], texts: list[int], bad: _Bad
) -> tuple[Any, list[str]]:
    needed = max([*indices, *texts]) + 1
    rows, stamp_texts = [], []
    for line, text in enumerate(block.split("\n"), start=first_line):
        if not text or text.isspace():
            continue
        cells = split_line(text, layout.delimiter)
        if len(cells) < needed:
            bad.row(line)
            continue
        row = []
        for index in indices:
            value = _number(cells[index], layout)
            if value is None:
                bad.cell(index, line, cells[index])
                value = math.nan
            row.append(value)
        rows.append(row)
        stamp_texts.append(" ".join([cells[index] for index in texts]))
    return np.array(rows, dtype=np.float64).reshape(len(rows), len(indices)), stamp_texts


def _number(cell: str, layout: Layout) -> float | None:
    """The number in a cell, NaN where nothing was measured, None where it is no number."""
    if cell.lower() in NOT_MEASURED:
        return math.nan
    if layout.decimal == ",":
        cell = (cell.replace(".", "") if layout.grouped else cell).replace(",", ".")
    try:
        value = float(cell)
    except ValueError:
        return None
    return value if math.isfinite(value) and "_" not in cell else None


def _column(values: Any, choice: Any, layout: Layout, bad: _Bad, count: int) -> Any:
    """One column in its stored unit; values that no instrument can show are left out and counted."""
    name, meaning = layout.names[choice.index], BY_COLUMN[choice.meaning]
    wrong = bad.cells.get(choice.index, 0)
    if wrong > MOST_BAD_SHARE * count:
        line, text = bad.first[choice.index]
        raise NotARecording(
            f"{name} holds {wrong} cells of {count} that are no numbers, the first in line {line}: {text!r}. "
            "Ignore that column, or check delimiter and decimal mark."
        )
    if choice.meaning == TIME:
        return values
    stored = to_stored(meaning, choice.unit, values, choice.flipped)
    with np.errstate(invalid="ignore"):
        beyond = (stored < meaning.low) | (stored > meaning.high)
    outside = int(beyond.sum())
    if outside > MOST_BAD_SHARE * count:
        raise NotARecording(
            f"{name} reaches {float(np.nanmax(np.abs(stored))):.6g} {next(iter(meaning.units))}, "
            f"which no {meaning.label} does. Check its unit and the decimal mark."
        )
    if outside:
        position = int(np.argmax(beyond))
        bad.cells[choice.index] = wrong + outside
        bad.first.setdefault(choice.index, (layout.first_line + position, f"{values[position]:g}"))
        stored = np.where(beyond, np.nan, stored)
    if np.isnan(stored).all():
        raise NotARecording(f"{name} holds no number at all. Ignore that column.")
    return stored


def _recording(
    columns: dict[str, Any],
    stamps: Any,
    times: TextTimes | None,
    mapping: Mapping,
    layout: Layout,
    bad: _Bad,
    count: int,
    zone: Any,
) -> Recording:
    choice = mapping.of(TIME)
    first_at: datetime | None = None
    if choice is None:
        seconds = np.arange(count) * float(mapping.interval_s or 0.0)
    elif times is not None:
        if times.bad > MOST_BAD_SHARE * count:
            raise NotARecording(
                f"{layout.names[choice.index]} holds {times.bad} times of {count} that cannot be read as "
                f"{times.unit}, the first: {times.first_bad!r}. Choose another form of the time."
            )
        seconds, first_at = times.finished(stamps, zone)
    else:
        seconds, first_at = seconds_from(columns[TIME], choice.unit)
    columns.pop(TIME, None)
    notes = _notes(layout, bad, times)
    forwards = running_forwards(seconds)
    back = count - int(forwards.sum())
    if forwards.sum() < 2 or back > count / 2:
        raise NotARecording(
            f"The times do not run forwards: {back} of {count} rows stand still or go back. "
            "Choose another column for the time, or another form of it."
        )
    if back:
        line = layout.first_line + int(np.argmin(forwards))
        notes.append(f"{back} rows whose time stands still or runs backwards are left out, the first near line {line}.")
    seconds = seconds[forwards]
    if first_at is not None and seconds[0]:
        first_at = datetime.fromtimestamp(first_at.timestamp() + float(seconds[0]), UTC)
    chosen = {TIME: seconds - seconds[0]}
    for name in list(columns):
        values = columns.pop(name)
        chosen[name] = values[forwards] if back else values
    return Recording(first_at, chosen, notes)


def _notes(layout: Layout, bad: _Bad, times: TextTimes | None) -> list[str]:
    notes = []
    if bad.short_rows:
        notes.append(
            f"{bad.short_rows} lines have too few columns and are left out, the first is line {bad.first_short_line}."
        )
    for index, wrong in sorted(bad.cells.items()):
        line, text = bad.first[index]
        notes.append(f"{layout.names[index]}: {wrong} values are left out, the first near line {line}: {text!r}.")
    if times is not None and times.bad:
        notes.append(f"{times.bad} rows without a readable time are left out, the first reads {times.first_bad!r}.")
    return notes
