"""The columns of an instrument's files: what each means, its scale and sign, and the values it can have."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import Any

from calc.quantities import written
from sessions.logs.csv_layout import Layout
from sessions.logs.meanings import (
    BY_COLUMN,
    DATE,
    IGNORE,
    LARGEST_SCALE,
    OTHER,
    TIME,
    ColumnChoice,
    may_be_flipped,
)
from sessions.logs.meanings import Mapping as ColumnMeanings

MOST_COLUMNS = 200
_EXAMPLE = '{"name": "Vbat", "header_unit": "V", "meaning": "voltage_v", "unit": "V", "lowest": 40, "highest": 60}'


class NotAColumn(ValueError):
    """Columns that cannot be those of an instrument; the message is a sentence."""


@dataclass(frozen=True)
class InstrumentColumn:
    """One column, by the name and unit in the file's header.

    `scale` multiplies the numbers of the file before anything else. `lowest` and `highest` are in the stored unit of
    the meaning; None where nothing is said.
    """

    name: str
    header_unit: str
    meaning: str
    unit: str
    flipped: bool = False
    scale: float = 1.0
    lowest: float | None = None
    highest: float | None = None

    @property
    def label(self) -> str:
        return self.name if self.meaning == OTHER else BY_COLUMN[self.meaning].label

    @property
    def has_ends(self) -> bool:
        """Whether a lowest and a highest value can be said."""
        return self.meaning not in (TIME, DATE)

    def as_json(self) -> dict[str, Any]:
        return asdict(self)

    def written(self, value: float, system: str = "metric") -> str:
        """A value of it as pages write it."""
        if self.meaning == OTHER:
            return f"{value:.6g} {self.header_unit}".strip()
        return written(value, BY_COLUMN[self.meaning].kind, system, digits=4)

    def range_in_words(self, system: str = "metric") -> str:
        """The values it can have; nothing where nothing is said."""
        low, high = (None if end is None else self.written(end, system) for end in (self.lowest, self.highest))
        if low and high:
            return f"{low} to {high}"
        return f"at least {low}" if low else f"at most {high}" if high else ""


def read_columns(stored: Any) -> Iterable[InstrumentColumn]:
    """Columns from their stored form. Raises NotAColumn with a sentence."""
    if not isinstance(stored, list) or not 1 <= len(stored) <= MOST_COLUMNS:
        raise NotAColumn(f"An instrument has 1 to {MOST_COLUMNS} columns, each as {_EXAMPLE}.")
    columns: list[InstrumentColumn] = []
    for number, row in enumerate(stored, start=1):
        if not isinstance(row, dict):
            raise NotAColumn(f"Column {number} is no column, such as {_EXAMPLE}.")
        try:
            column = InstrumentColumn(**row)
        except TypeError:
            raise NotAColumn(f"Column {number} has or lacks something. A column is {_EXAMPLE}.") from None
        if mistake := _mistake(column):
            raise NotAColumn(f"Column {number}: {mistake}")
        same = [
            other for other in columns if _key(other.name, other.header_unit) == _key(column.name, column.header_unit)
        ]
        if same:
            raise NotAColumn(f"Column {number}: {column.name} is there twice.")
        if any(other.meaning == column.meaning for other in columns) and not BY_COLUMN[column.meaning].is_many:
            raise NotAColumn(f"Column {number}: two columns are taken for {BY_COLUMN[column.meaning].label}.")
        columns.append(column)
    if all(column.meaning in (TIME, DATE) for column in columns):
        raise NotAColumn("No column holds a measured value. Say of at least one what it is.")
    return columns


def _mistake(column: InstrumentColumn) -> str:
    texts = (column.name, column.header_unit, column.meaning, column.unit)
    if not all(isinstance(text, str) and len(text) <= 80 for text in texts) or not column.name.strip():
        return "it has a name of at most 80 characters, as the first line of the file has it."
    if column.meaning not in BY_COLUMN:
        return f"{column.meaning!r} is no quantity here. Some are voltage_v, current_a, speed_mps, time_s and other."
    meaning = BY_COLUMN[column.meaning]
    if column.unit not in meaning.units:
        return f"{meaning.label} is not in {column.unit!r}. Choose one of {', '.join(meaning.units)}."
    if not isinstance(column.flipped, bool) or (column.flipped and not may_be_flipped(meaning)):
        return f"only a current can be counted the other way, and {meaning.label} is none. Use a scale of −1."
    if not _is_number(column.scale) or not 0 < abs(column.scale) <= LARGEST_SCALE:
        return "a scale is a number other than 0, for example 1.02, or −1 to turn the sign."
    if column.scale != 1 and not column.has_ends:
        return "a time has no scale. Choose its form instead, such as milliseconds."
    ends = [end for end in (column.lowest, column.highest) if end is not None]
    if not all(_is_number(end) for end in ends) or (len(ends) == 2 and ends[0] >= ends[1]):
        return "its lowest value is a number below its highest, for example 40 V and 60 V."
    if ends and not column.has_ends:
        return "a time has no lowest or highest value."
    return ""


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)


def _key(name: str, unit: str) -> tuple[str, str]:
    return " ".join(name.split()).casefold(), " ".join(unit.split()).casefold()


def _place(column: InstrumentColumn, layout: Layout) -> int | None:
    """Where a file has the column: under the same name, with the same unit in its header if several have that name."""
    names = [_key(name, unit) for name, unit in zip(layout.names, layout.units, strict=True)]
    key = _key(column.name, column.header_unit)
    same = [index for index, (name, _) in enumerate(names) if name == key[0]]
    return next((index for index in same if names[index] == key), same[0] if same else None)


def choices_in(columns: Iterable[InstrumentColumn], layout: Layout, interval_s: float | None) -> ColumnMeanings:
    """What the columns of a file are taken for by an instrument; those that it does not name are ignored."""
    choices = {}
    for column in columns:
        index = _place(column, layout)
        if index is not None and column.meaning != IGNORE:
            choices[index] = ColumnChoice(index, column.meaning, column.unit, column.flipped, column.scale)
    has_time = any(choice.meaning == TIME and choice.unit != "sample number" for choice in choices.values())
    return ColumnMeanings(tuple(choices[index] for index in sorted(choices)), None if has_time else interval_s)


def fits(columns: Iterable[InstrumentColumn], layout: Layout) -> bool:
    """Whether a file has every column of an instrument."""
    listed = list(columns)
    return bool(listed) and all(_place(column, layout) is not None for column in listed)


def misfits(
    columns: Iterable[InstrumentColumn],
    layout: Layout,
    mapping: ColumnMeanings,
    ends: Mapping[str, Any],
    system: str = "metric",
) -> list[str]:
    """What does not hold of a file that is said to be of an instrument, a sentence each: a column that is missing, or
    has another unit in its header, or values that the instrument cannot give.

    `ends` are the lowest and highest stored value of each stored column.
    """
    stored_as = {choice.index: name for choice, name in mapping.columns().items()}
    sentences = []
    for column in columns:
        index = _place(column, layout)
        if index is None:
            sentences.append(f"{column.name} is missing in this file.")
            continue
        unit = layout.units[index]
        if unit and column.header_unit and _key("", unit) != _key("", column.header_unit):
            sentences.append(f"{column.name} is in {unit} here, and in {column.header_unit} in the instrument's files.")
        lowest, highest = ends.get(stored_as.get(index, ""), (None, None))
        if column.lowest is not None and lowest is not None and lowest < column.lowest:
            sentences.append(_beyond(column, "goes down to", lowest, system))
        if column.highest is not None and highest is not None and highest > column.highest:
            sentences.append(_beyond(column, "reaches", highest, system))
    return sentences


def _beyond(column: InstrumentColumn, verb: str, value: float, system: str) -> str:
    return f"{column.name} {verb} {column.written(value, system)}; expected is {column.range_in_words(system)}."


def of_file(layout: Layout, mapping: ColumnMeanings) -> list[InstrumentColumn]:
    """The columns of an instrument, as a file of it was read."""
    return [
        InstrumentColumn(
            layout.names[choice.index],
            layout.units[choice.index],
            choice.meaning,
            choice.unit,
            choice.flipped,
            choice.scale,
        )
        for choice in mapping.choices
        if choice.meaning in BY_COLUMN and choice.index < layout.width
    ]
