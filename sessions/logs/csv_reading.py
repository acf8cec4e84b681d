"""Reading a logger's file, a block of lines at a time, into the columns that a person gave a meaning.

Numbers are parsed by numpy's own reader. A block it refuses is read cell by cell, so that one bad cell
costs its own value and nothing else; what was left out is counted and reported. Memory holds one block of
text and its numbers.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import IO, Any

import numpy as np

from sessions.logs.csv_layout import Layout, header_of, split_line
from sessions.logs.forward_times import ForwardTimes
from sessions.logs.logger_time import NumberTimes, TextTimes
from sessions.logs.meanings import BY_COLUMN, DATE, IGNORE, OTHER, TIME, ColumnChoice, Mapping, to_stored
from sessions.logs.number_marks import NOT_MEASURED, is_number, plain_marks
from sessions.logs.series import MOST_ROWS, Named, NotARecording, are
from sessions.logs.unpacking import LARGEST_BYTES, Unpacked

BLOCK_CHARACTERS = 1024 * 1024
MOST_BAD_SHARE = 0.2
"""A column with more cells than this that are no numbers is not what it was taken for (common practice, no source)."""


@dataclass
class _Bad:
    """What could not be read, counted for the notes."""

    short_rows: int = 0
    first_short_line: int = 0
    second_table_line: int = 0
    broken_off_line: int = 0
    cells: dict[int, int] = field(default_factory=dict)
    first: dict[int, tuple[int, str]] = field(default_factory=dict)

    def cell(self, index: int, line: int, text: str) -> None:
        self.cells[index] = self.cells.get(index, 0) + 1
        self.first.setdefault(index, (line, text[:30]))

    def row(self, line: int) -> None:
        self.short_rows += 1
        self.first_short_line = self.first_short_line or line


class CsvRecording:
    """The recording in a logger's file of plain text; it stays the caller's to close.

    `zone` is the time zone of times without one. Raises NotARecording with a sentence.
    """

    def __init__(self, content: Unpacked, layout: Layout, mapping: Mapping, zone: Any = UTC) -> None:
        if content.size > LARGEST_BYTES:
            raise NotARecording(
                f"The file has {content.size / 1e6:.0f} MB; at most {LARGEST_BYTES / 1e6:.0f} MB are allowed."
            )
        check_choices(layout, mapping)
        self.first_at: datetime | None = None
        self.notes = content.notes
        self._file, self._layout, self._mapping = content.file, layout, mapping
        self._texts = text_columns(mapping)
        time = mapping.of(TIME)
        self._text_times = TextTimes(self._texts[0].unit, zone) if self._texts else None
        self._number_times: NumberTimes | None = None
        if time is not None and not self._texts:
            self._number_times = NumberTimes(time.unit, mapping.interval_s)
        numeric = [choice for choice in mapping.choices if choice not in self._texts and choice.meaning != IGNORE]
        self._indices = [choice.index for choice in numeric]
        stored_as = mapping.columns()
        self._columns = [_Column(choice, stored_as[choice]) for choice in numeric]
        self.named = {
            stored_as[choice]: Named(layout.names[choice.index], layout.units[choice.index])
            for choice in numeric
            if choice.meaning == OTHER
        }
        self._forwards = ForwardTimes()
        self._rows = 0
        self._first_s: float | None = None

    def blocks(self) -> Iterator[dict[str, Any]]:
        bad = _Bad()
        for columns in self._forwards.of(self._read_blocks(bad)):
            if self._first_s is None:
                self._first_s = float(columns[TIME][0])
            columns[TIME] = columns[TIME] - self._first_s
            yield columns
        self._finish(bad)

    def _read_blocks(self, bad: _Bad) -> Iterator[dict[str, Any]]:
        """The rows as they stand in the file, in their stored units, with their times."""
        layout, texts = self._layout, [choice.index for choice in self._texts]
        for line, block in _blocks(self._file, layout, bad):
            numbers, stamps = _read_block(block, line, layout, self._indices, texts, bad)
            if not numbers.shape[0]:
                continue
            columns, seconds = self._stored(numbers, stamps)
            self._rows += seconds.size
            if self._rows > MOST_ROWS:
                raise NotARecording(
                    f"The log has more than {MOST_ROWS:,} rows. Export a part of it, or fewer rows a second."
                )
            yield {TIME: seconds, **columns}
            if bad.second_table_line:
                break

    def _stored(self, numbers: Any, stamps: list[str]) -> tuple[dict[str, Any], Any]:
        """The values of a block in their stored units, and its times."""
        before = self._rows
        columns = {}
        raw_times = None
        for position, column in enumerate(self._columns):
            values = numbers[:, position].copy()
            if column.choice.meaning == TIME:
                raw_times = values
            else:
                columns[column.name] = column.stored(values, before)
        if self._text_times is not None:
            return columns, self._text_times.from_start(self._text_times.seconds(stamps))
        if self._number_times is not None:
            return columns, self._number_times.seconds(raw_times)
        rows = np.arange(before, before + numbers.shape[0])
        return columns, rows * float(self._mapping.interval_s or 0.0)

    def _finish(self, bad: _Bad) -> None:
        """What can only be judged of the whole file."""
        layout, rows, times = self._layout, self._rows, self._text_times
        if not rows:
            raise NotARecording(f"There is no row of data from line {layout.first_line} on.")
        for column in self._columns:
            column.judge(layout, bad, rows)
        time = self._mapping.of(TIME)
        if times is not None and time is not None and times.bad > MOST_BAD_SHARE * rows:
            raise NotARecording(
                f"{layout.names[time.index]} holds {times.bad} times of {rows} that cannot be read as "
                f"{times.unit}, the first: {times.first_bad!r}. Choose another form of the time."
            )
        notes = _notes(layout, bad, times)
        notes += times.notes if times is not None else []
        notes += self._forwards.notes("rows", "line", layout.first_line)
        self.notes = [*self.notes, *notes]
        moment = times.moment if times is not None else None
        if self._number_times is not None:
            moment = self._number_times.moment
        if moment is not None and self._first_s:
            moment = datetime.fromtimestamp(moment.timestamp() + self._first_s, UTC)
        self.first_at = moment


class _Column:
    """A column of numbers on its way into its stored unit; what no instrument can show is left out and counted."""

    def __init__(self, choice: ColumnChoice, name: str) -> None:
        self.choice, self.name = choice, name
        self._meaning = BY_COLUMN[choice.meaning]
        self._beyond, self._is_known = 0, False
        self._first_beyond: tuple[int, float] | None = None
        self._largest = 0.0

    def stored(self, values: Any, rows_before: int) -> Any:
        """The values in their stored unit, NaN where they cannot be."""
        stored = to_stored(self.choice, values)
        lowest, highest = np.fmin.reduce(stored), np.fmax.reduce(stored)
        if lowest < self._meaning.low or highest > self._meaning.high:
            beyond = (stored < self._meaning.low) | (stored > self._meaning.high)
            if self._first_beyond is None:
                position = int(np.argmax(beyond))
                self._first_beyond = rows_before + position, float(values[position])
            self._beyond += int(beyond.sum())
            self._largest = max(self._largest, abs(float(lowest)), abs(float(highest)))
            stored = np.where(beyond, np.nan, stored)
        self._is_known |= not np.isnan(stored).all()
        return stored

    def judge(self, layout: Layout, bad: _Bad, count: int) -> None:
        """Refuse a column of which too much is no number or impossible; count what was left out."""
        name, index = layout.names[self.choice.index], self.choice.index
        wrong = bad.cells.get(index, 0)
        if wrong > MOST_BAD_SHARE * count:
            line, text = bad.first[index]
            raise NotARecording(
                f"{name} holds {wrong} cells of {count} that are no numbers, the first in line {line}: {text!r}. "
                "Ignore that column, or check delimiter and decimal mark."
            )
        if self.choice.meaning == TIME:
            return
        if self._beyond > MOST_BAD_SHARE * count:
            raise NotARecording(
                f"{name} reaches {self._largest:.6g} {next(iter(self._meaning.units))}, "
                f"which no {self._meaning.label} does. Check its unit and the decimal mark."
            )
        if self._first_beyond is not None:
            row, value = self._first_beyond
            bad.cells[index] = wrong + self._beyond
            bad.first.setdefault(index, (layout.first_line + row, f"{value:g}"))
        if not self._is_known:
            raise NotARecording(f"{name} holds no number at all. Ignore that column.")


def check_choices(layout: Layout, mapping: Mapping) -> None:
    """Raises NotARecording where the columns cannot be read as they were chosen, whatever is in them."""
    seen: set[str] = set()
    for choice in mapping.choices:
        if choice.meaning == IGNORE:
            continue
        if not 0 <= choice.index < layout.width or choice.meaning not in BY_COLUMN:
            raise NotARecording("A column that the file does not have was given a meaning. Look at the columns again.")
        meaning = BY_COLUMN[choice.meaning]
        if choice.meaning in seen and not meaning.is_many:
            raise NotARecording(f"Two columns are taken for {meaning.label}; choose one and ignore the other.")
        if choice.unit not in meaning.units:
            raise NotARecording(
                f"{layout.names[choice.index]} cannot be in {choice.unit[:20]!r}. Choose a unit of the list."
            )
        seen.add(choice.meaning)
    time = mapping.of(TIME)
    if time is not None and time.unit == "sample number" and not mapping.interval_s:
        raise NotARecording("A column of sample numbers needs the seconds between two samples, for example 0.1.")
    if TIME not in seen and not mapping.interval_s:
        raise NotARecording("No column is taken for the time. Choose it, or say how many seconds lie between two rows.")
    if DATE in seen and not text_columns(mapping)[1:]:
        raise NotARecording("A column is taken for the date alone; choose the column with the time of day beside it.")
    if not seen - {TIME, DATE}:
        raise NotARecording("No column is taken for a measured value. Choose at least one, such as the pack voltage.")
    if ("lat_deg" in seen) != ("lon_deg" in seen):
        raise NotARecording("A position needs latitude and longitude: choose both, or none of them.")
    if mapping.interval_s is not None and not 1e-4 <= mapping.interval_s <= 3600:
        raise NotARecording("The seconds between two rows must be from 0.0001 to 3600, for example 0.1.")


def _blocks(file: IO[bytes], layout: Layout, bad: _Bad) -> Iterator[tuple[int, str]]:
    """Text of whole lines, from the first line of data on, each with the number of its first line.

    Bytes that are no text become letters that are no number, so that they cost their own cell and nothing else. At a
    zero byte the file ends: there the logger broke off.
    """
    file.seek(0)
    text = io.TextIOWrapper(file, encoding=layout.encoding, errors="replace", newline=None)
    line = layout.first_line
    try:
        for _ in range(layout.first_line - 1):
            text.readline()
        while block := text.read(BLOCK_CHARACTERS):
            block += text.readline()
            if "\0" in block:
                block = block[: block.index("\0")]
                bad.broken_off_line = line + block.count("\n")
                # The line that was begun there may lack its last digits.
                yield line, block[: block.rfind("\n") + 1]
                return
            yield line, block
            line += _line_ends(block)
    finally:
        # The file belongs to the caller; a wrapper that is collected would close it.
        text.detach()
        file.seek(0)


def _line_ends(block: str) -> int:
    """How many line ends a text has; among numbers counted faster than by the text's own method."""
    if not block.isascii():
        return block.count("\n")
    return int(np.count_nonzero(np.frombuffer(block.encode(), np.uint8) == ord("\n")))


def text_columns(mapping: Mapping) -> list[ColumnChoice]:
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
    try:
        numbers = _numbers(block, cut, indices, layout.width)
    except (ValueError, IndexError):
        if cut is None:
            return None
        # An empty cell is nothing measured; twice, because the cells of a row of empty ones share their delimiters.
        for _ in range(2):
            block = block.replace(cut * 2, f"{cut}nan{cut}")
        try:
            numbers = _numbers(block.replace(f"{cut}\n", f"{cut}nan\n"), cut, indices, layout.width)
        except (ValueError, IndexError):
            return None
    if np.isinf(numbers).any() or numbers.shape[1] != len(indices) or (texts and len(stamp_texts) != numbers.shape[0]):
        return None
    return numbers, stamp_texts


def _numbers(block: str, delimiter: str | None, indices: list[int], width: int) -> Any:
    # To choose all columns takes longer than not to choose.
    chosen = None if indices == list(range(width)) else indices
    return np.loadtxt(io.StringIO(block), delimiter=delimiter, usecols=chosen, ndmin=2, comments=None)


def _by_cell(
    block: str, first_line: int, layout: Layout, indices: list[int], texts: list[int], bad: _Bad
) -> tuple[Any, list[str]]:
    needed = max([*indices, *texts]) + 1
    rows: list[list[float]] = []
    stamp_texts: list[str] = []
    for line, text in enumerate(block.split("\n"), start=first_line):
        if not text or text.isspace():
            continue
        cells = split_line(text, layout.delimiter)
        if _is_header(cells):
            if header_of([cells], len(cells))[0] == layout.names:
                # The logger was switched off and on, and wrote its header again.
                continue
            bad.second_table_line = line
            break
        if len(cells) < needed:
            bad.row(line)
            continue
        row = []
        for index in indices:
            value = number_in(cells[index], layout)
            if value is None:
                bad.cell(index, line, cells[index])
                value = math.nan
            row.append(value)
        rows.append(row)
        stamp_texts.append(" ".join([cells[index] for index in texts]))
    return np.array(rows, dtype=np.float64).reshape(len(rows), len(indices)), stamp_texts


def _is_header(cells: list[str]) -> bool:
    """Whether a line among the data has words in three columns or more, and no number: the header of another table."""
    filled = [cell for cell in cells if cell]
    words = [cell for cell in filled if re.match(r"[A-Za-z]{2}|[A-Za-z]$", cell) and not is_number(cell)]
    return len(words) >= 3 and len(words) == len(filled)


def number_in(cell: str, layout: Layout) -> float | None:
    """The number in a cell, NaN where nothing was measured, None where it is no number."""
    if cell.lower() in NOT_MEASURED:
        return math.nan
    if layout.thousands:
        cell = plain_marks(cell).replace(layout.thousands, "")
    if layout.decimal == ",":
        cell = cell.replace(",", ".")
    try:
        value = float(cell)
    except ValueError:
        return None
    return value if math.isfinite(value) and "_" not in cell else None


def _notes(layout: Layout, bad: _Bad, times: TextTimes | None) -> list[str]:
    notes = []
    if bad.broken_off_line:
        notes.append(f"The file breaks off in line {bad.broken_off_line}, at a zero byte: what comes before is read.")
    if bad.short_rows:
        notes.append(
            f"{are(bad.short_rows, 'lines')} left out with too few columns, the first is line {bad.first_short_line}."
        )
    if bad.second_table_line:
        notes.append(
            f"Another table begins in line {bad.second_table_line} and is left out. Save it as a file of its own."
        )
    for index, wrong in sorted(bad.cells.items()):
        line, text = bad.first[index]
        notes.append(f"{layout.names[index]}: {are(wrong, 'values')} left out, the first near line {line}: {text!r}.")
    if times is not None and times.bad:
        notes.append(
            f"{are(times.bad, 'rows')} left out, without a readable time; the first reads {times.first_bad!r}."
        )
    return notes
