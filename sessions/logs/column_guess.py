"""The most likely meaning of each column of a table, by its name, its unit and its first values."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable

from sessions.logs.csv_layout import Layout
from sessions.logs.meanings import (
    BY_COLUMN,
    CELL,
    DATE,
    DATE_FORMATS,
    MEANINGS,
    OTHER,
    TIME,
    ColumnChoice,
    Mapping,
    Meaning,
)
from sessions.logs.number_marks import is_number

_SCALED_BY = {
    ("voltage", "10"): "dV = 0.1V",
    ("voltage", "100"): "cV = 0.01V",
    ("voltage", "1000"): "mV",
    ("current", "10"): "dA = 0.1A",
    ("current", "100"): "cA = 0.01A",
    ("current", "1000"): "mA",
    ("temperature", "10"): "0.1°C",
    ("temperature", "100"): "0.01°C",
}
"""The unit of a column whose name says that it is so many times as large."""

_GUESSED_FIRST = ("lowest_cell_voltage_v", "highest_cell_voltage_v", CELL, "charge_in_ah", "charge_out_ah",
                  "energy_in_wh", "energy_out_wh", "battery_temperature_c", "motor_temperature_c",
                  "controller_temperature_c", "motor_current_a", "wheel_speed_mps", "motor_speed_rpm", "lat_deg",
                  "lon_deg", "distance_m", "altitude_m")  # fmt: skip

SETTINGS = (
    r"(^| )(limit\w*|max\w*|min\w*|target|set|setpoint|request\w*|command\w*|cmd|cut|cutoff|allowed|avail\w*)( |$)"
)
"""Words of a value that is set, and not measured."""
_PASSED_OVER = {
    "voltage_v": rf"{SETTINGS}|(^| )(cells?|phase|throttle|logic|aux\w*|ref|sensor|usb|supply|mcu|rail|diff\w*)( |$)",
    "current_a": rf"{SETTINGS}|(^| )(motor|mot|phase|rms|iq|id|charger?|regen|cells?)( |$)",
    "speed_mps": SETTINGS,
    "motor_speed_rpm": rf"{SETTINGS}|(^| )(erpm|electrical)( |$)",
}
"""Names that hold another quantity of the same kind. Such a column is taken only where no other is there, and never
where its name says that it is a setting."""


def guess(layout: Layout, rows: list[list[str]], interval_s: float | None = None) -> Mapping:
    """The most likely meaning of each column by its name, each meaning once; a person checks it before import."""
    taken: dict[int, ColumnChoice] = {}
    others = (meaning.column for meaning in MEANINGS if meaning.column not in (*_GUESSED_FIRST, OTHER))
    order = [*_GUESSED_FIRST, *others]
    for column in order:
        candidates = []
        for index, name in enumerate(layout.names):
            cells = [row[index] for row in rows if row[index]]
            if index in taken or not cells or sum(map(is_number, cells)) * 2 < len(cells):
                continue
            unit = _unit_by_name(BY_COLUMN[column], name, layout.units[index], cells)
            if unit:
                candidates.append((_rank(column, name), index, unit))
        if BY_COLUMN[column].is_many:
            taken |= {index: ColumnChoice(index, column, unit) for rank, index, unit in candidates if rank < _NEVER}
        elif candidates and min(candidates)[0] < _NEVER:
            _, index, unit = min(candidates)
            taken[index] = ColumnChoice(index, column, unit)
    times = {choice.meaning: choice for choice in taken.values() if choice.meaning in (TIME, DATE)}
    if DATE in times and (TIME not in times or times[TIME].unit != "clock"):
        del taken[times[DATE].index]
    if TIME not in times and interval_s is None:
        for index in range(layout.width):
            if index not in taken and _grows([row[index] for row in rows]):
                taken[index] = ColumnChoice(index, TIME, "seconds")
                break
    choices = tuple(taken[index] for index in sorted(taken))
    return Mapping(choices, interval_s if TIME not in times or times[TIME].unit == "sample number" else None)


_NEVER = 2


def other_columns(layout: Layout, rows: list[list[str]], choice: ColumnChoice) -> list[ColumnChoice]:
    """Other columns whose names say the same quantity as a choice, the likeliest first."""
    candidates = []
    for index, name in enumerate(layout.names):
        cells = [row[index] for row in rows if row[index]]
        if index == choice.index or not cells or not all(map(is_number, cells)):
            continue
        unit = _unit_by_name(BY_COLUMN[choice.meaning], name, layout.units[index], cells)
        if unit and _rank(choice.meaning, name) < _NEVER:
            candidates.append((_rank(choice.meaning, name), index, unit))
    return [ColumnChoice(index, choice.meaning, unit, choice.flipped) for _, index, unit in sorted(candidates)]


def _rank(column: str, name: str) -> int:
    """0 for a name that says this quantity, 1 for another of the same kind, 2 for a setting."""
    spread = _spread(name)
    if column in _PASSED_OVER and re.search(SETTINGS, spread):
        return _NEVER
    return int(column in _PASSED_OVER and bool(re.search(_PASSED_OVER[column], spread)))


def _spread(name: str) -> str:
    """A name as words: speed_kmh, batteryVoltage and U-Bat are all split."""
    apart = re.sub(r"([a-z])([A-Z])", r"\1 \2", name)
    return re.sub(r"[^A-Za-z°%/]+", " ", apart).strip().lower()


def _unit_by_name(meaning: Meaning, name: str, unit: str, cells: list[str]) -> str:
    """The unit in which a column most likely holds this meaning, or nothing where its name says something else."""
    spread = _spread(name) if meaning.column not in (TIME, DATE) else _spread(name).replace("/", " ")
    letter, _, unit_word = re.sub(r"[^A-Za-z0-9.°%/µ]+", " ", name).strip().partition(" ")
    alone = len(letter) == 1 and (not unit_word or (meaning.column != TIME and meaning.unit_named(unit_word)))
    named = letter.lower() in meaning.letters if alone else re.search(rf"(^| )({meaning.words})( |$)", spread)
    if not named:
        return ""
    if meaning.column == DATE:
        # A date alone has no time of day in it; with one it is the time.
        form = _time_format(unit, name, [f"{cell} " for cell in cells])
        return form if form in DATE_FORMATS and ":" not in cells[0] else ""
    if meaning.column == TIME:
        form = _time_format(unit, name, cells)
        return "" if form in DATE_FORMATS and ":" not in cells[0] else form
    return _unit(meaning, unit, name)


def _unit(meaning: Meaning, unit_text: str, name: str) -> str:
    # Before small letters are parted from large ones, because mV is one word.
    whole = re.split(r"[^A-Za-z0-9.,°%/µ]+", name)[::-1]
    words = [unit_text, *whole, *_spread(name).split()[::-1]]
    named = (meaning.unit_named(word) for word in words if word)
    unit = next((unit for unit in named if unit), next(iter(meaning.units)))
    times = re.search(r"[x*×] ?(1000?|10)(?!\d)", f"{name} {unit_text}")
    return _SCALED_BY.get((meaning.kind, times[1]), unit) if times else unit


def _time_format(unit_text: str, name: str, cells: list[str]) -> str:
    first = cells[0]
    for pattern, name_of_format in (
        (r"\d{4}[-/.]\d{1,2}[-/.]\d{1,2}.*", "year-month-day"),
        (r"\d{1,2}\.\d{1,2}\.\d{2,4} .*", "day.month.year"),
        (r"\d{1,2}[/-]\d{1,2}[/-]\d{2,4} .*", "month/day/year"),
        (r"\d{1,4}:\d{1,2}[.,]\d+", "minutes:seconds"),
        (r"\d{1,3}:\d{1,2}(:\d{1,2})?([.,]\d+)?( ?[AaPp][Mm])?", "clock"),
    ):
        if re.fullmatch(pattern, first):
            if name_of_format == "month/day/year" and _day_first(cells):
                return "day.month.year"
            if name_of_format == "clock" and any(_hours(cell) > 23 for cell in cells):
                return "minutes:seconds"
            return name_of_format
    value = _value(first)
    for least, name_of_format in (
        (1e17, "epoch nanoseconds"),
        (1e14, "epoch microseconds"),
        (1e11, "epoch milliseconds"),
    ):
        if value > least:
            return name_of_format
    words = f"{unit_text} {re.sub(r'[^A-Za-zµ]+', ' ', name)} {_spread(name)}".lower().split()
    for word, name_of_format in (
        ("ms", "milliseconds"),
        ("millis", "milliseconds"),
        ("us", "microseconds"),
        ("µs", "microseconds"),
        ("usec", "microseconds"),
        ("micros", "microseconds"),
        ("msec", "milliseconds"),
        ("ns", "nanoseconds"),
        ("nanos", "nanoseconds"),
        ("min", "minutes"),
        ("minutes", "minutes"),
        ("h", "hours"),
        ("hours", "hours"),
        ("d", "days"),
        ("days", "days"),
        ("sample", "sample number"),
        ("samples", "sample number"),
        ("index", "sample number"),
    ):
        if word in words:
            return name_of_format
    # Ticks that are named so may be as large.
    return "epoch seconds" if value > 1e8 else "seconds"


def _hours(cell: str) -> int:
    """What stands before the first colon."""
    digits = re.match(r"\d+", cell)
    return int(digits[0]) if digits else 0


def _day_first(cells: Iterable[str]) -> bool:
    """Whether some date can only be read with the day before the month."""
    return any(int(re.split(r"[/-]", cell)[0]) > 12 for cell in cells if re.match(r"\d{1,2}[/-]", cell))


def _value(cell: str) -> float:
    try:
        return float(cell.replace(",", "."))
    except ValueError:
        return 0.0


def _grows(cells: list[str]) -> bool:
    values = [_value(cell) for cell in cells]
    return len(values) > 2 and all(later > earlier for earlier, later in itertools.pairwise(values))
