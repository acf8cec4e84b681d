"""What a column of a logger can mean, in which units, and the most likely one for a header."""

from __future__ import annotations

import hashlib
import itertools
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from calc.quantities import KINDS
from calc.units import convert
from sessions.logs.csv_layout import Layout
from sessions.logs.number_marks import is_number

IGNORE = "ignore"
TIME = "time_s"
DATE = "date"
OTHER = "other"
CELL = "cell_voltage_v"
PLAIN_NUMBER = "as it stands"


@dataclass(frozen=True)
class Meaning:
    """A quantity that a recording may hold: the column it is stored under, its kind, and words that headers use."""

    column: str
    label: str
    kind: str
    words: str
    letters: str
    low: float
    high: float
    is_many: bool = False
    """Several columns of a file may mean it: they are numbered, as each cell's voltage is."""

    @property
    def units(self) -> dict[str, str]:
        """One spelling for each unit, as pages show it, and as pint spells it; the stored one first."""
        if self.column in (TIME, DATE):
            return {label: label for label in (TIME_FORMATS if self.column == TIME else DATE_FORMATS)}
        if self.column == OTHER:
            return {PLAIN_NUMBER: "dimensionless"}
        kind = KINDS[self.kind]
        labels: dict[str, str] = {kind.stored: ""}
        for label, unit in kind.spellings.items():
            labels[unit] = labels.get(unit) or label
        scaled = {label: label for label, (kind, *_) in SCALED.items() if kind == self.kind}
        return {label: unit for unit, label in labels.items() if label} | scaled

    def unit_named(self, word: str) -> str | None:
        """The unit that a header's word means, as `units` spells it."""
        for label, (kind, *_) in SCALED.items():
            if kind == self.kind and word.lower().replace(",", ".").replace(" ", "") in label.lower().split(" = "):
                return label
        for label, unit in KINDS[self.kind].spellings.items():
            if word.lower() == label.lower():
                return next((name for name, spelled in self.units.items() if spelled == unit), None)
        return None


SCALED = {
    "cV = 0.01V": ("voltage", 0.01, "volt"),
    "dV = 0.1V": ("voltage", 0.1, "volt"),
    "cA = 0.01A": ("current", 0.01, "ampere"),
    "dA = 0.1A": ("current", 0.1, "ampere"),
    "0.1°C": ("temperature", 0.1, "degree_Celsius"),
    "0.01°C": ("temperature", 0.01, "degree_Celsius"),
    "mm/s": ("speed", 0.001, "meter/second"),
    "cm/s": ("speed", 0.01, "meter/second"),
    "0.1km/h": ("speed", 0.1 / 3.6, "meter/second"),
    "0 to 1": ("fraction", 1.0, "dimensionless"),
}
"""Units of whole numbers that loggers write: the kind of quantity, and what one of them is."""

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

TIME_FORMATS = {
    "seconds": "seconds since the start, as in 12.25",
    "milliseconds": "milliseconds since the start",
    "microseconds": "microseconds since the start",
    "nanoseconds": "nanoseconds since the start",
    "minutes": "minutes since the start",
    "hours": "hours since the start, as in 0.0125",
    "days": "days since the start, or of a spreadsheet, as in 46039.4621",
    "minutes:seconds": "minutes and seconds since the start, as in 12:30.5",
    "sample number": "number of the sample; say how many seconds lie between two",
    "epoch seconds": "seconds since 1970 (UTC)",
    "epoch milliseconds": "milliseconds since 1970 (UTC)",
    "epoch microseconds": "microseconds since 1970 (UTC)",
    "epoch nanoseconds": "nanoseconds since 1970 (UTC)",
    "clock": "time of day, as in 11:05:30.2",
    "year-month-day": "date and time, as in 2026-01-17 11:05:30",
    "day.month.year": "date and time, day first, as in 17.01.2026 11:05:30",
    "month/day/year": "date and time, month first, as in 01/17/2026 11:05:30",
}

DATE_FORMATS = ("year-month-day", "day.month.year", "month/day/year")

MEANINGS = (
    Meaning(DATE, "date, beside the time of day", "duration", r"date|datum|day", "", -1e18, 1e18),
    Meaning(TIME, "time", "duration", r"time|\w*zeit|temps|tid|timestamp|date|clock|ts|elapsed|millis|micros|"
            r"nanos|epoch|ticks?|uptime|samples?|sample (no|number|index)|index", "t",
            -1e18, 1e18),
    Meaning("voltage_v", "pack voltage", "voltage", r"volt\w*|spannung|tension|vbat\w*|ubat\w*", "uv", -1e5, 1e5),
    Meaning("charge_out_ah", "charge taken out so far", "charge",
            r"(used|discharged?|consumed|drawn|out).* (ah|charge|capacity)|(ah|charge|capacity).* "
            r"(used|discharged?|consumed|drawn|out)|m?ah", "", -1e6, 1e6),
    Meaning("charge_in_ah", "charge put back so far", "charge",
            r"(charged|regen\w*|recovered|in).* (ah|charge)|(ah|charge).* (charged|regen\w*|recovered|in)", "",
            -1e6, 1e6),
    Meaning("current_a", "pack current", "current", r"current|amps?|ampere|strom|courant|ibat\w*", "i", -1e5, 1e5),
    Meaning("speed_mps", "speed over ground", "speed",
            r"(gps|gnss|ground|sat\w*) (speed|velocity)|speed|velocity|geschwindigkeit|vitesse|hastighet|sog",
            "", -1, 200),
    Meaning("wheel_speed_mps", "wheel or track speed", "speed",
            r"(wheel|track|belt|tyre|tire).* (speed|velocity)", "", -200, 200),
    Meaning("motor_speed_rpm", "motor speed", "rotation", r"((motor|engine) )?(rpm|revs?|drehzahl)", "", -1e6, 1e6),
    Meaning("battery_temperature_c", "battery temperature", "temperature",
            r"(batt\w*|pack|cells?|bms|akku).* t(emp\w*)?|t(emp\w*)? (batt\w*|pack|cells?|akku)", "", -100, 500),
    Meaning("motor_temperature_c", "motor temperature", "temperature",
            r"mot(or)?.* t(emp\w*)?|t(emp\w*)? mot(or)?", "", -100, 500),
    Meaning("controller_temperature_c", "controller temperature", "temperature",
            r"(contr\w*|fets?|mosfets?|esc|inverter).* t(emp\w*)?|t(emp\w*)? (contr\w*|fets?|mosfets?|esc|inverter)",
            "", -100, 500),
    Meaning("distance_m", "distance so far", "trip", r"distance|dist|odo\w*|trip|strecke", "", -1, 1e8),
    Meaning("lat_deg", "latitude", "angle", r"lat|latitude", "", -90, 90),
    Meaning("lon_deg", "longitude", "angle", r"lon|long|lng|longitude", "", -180, 180),
    Meaning("altitude_m", "altitude", "distance", r"(gps |gnss )?(alt|altitude|elevation|ele|height)( msl)?|höhe",
            "", -1000, 10_000),
    Meaning("logged_power_w", "power, as the logger has it", "power",
            r"(batt\w*|pack|input|dc|total)? ?(power|leistung|puissance|watts?)", "p", -1e7, 1e7),
    Meaning("energy_out_wh", "energy taken out so far", "energy",
            r"(used|discharged?|consumed|drawn|out).* (k?wh|energy)|(k?wh|energy).* "
            r"(used|discharged?|consumed|drawn|out)|k?wh", "", -1e8, 1e8),
    Meaning("energy_in_wh", "energy put back so far", "energy",
            r"(charged|regen\w*|recovered|in).* (k?wh|energy)|(k?wh|energy).* (charged|regen\w*|recovered|in)", "",
            -1e8, 1e8),
    Meaning("motor_current_a", "motor current", "current",
            r"(motor|mot|phase)( \w+)? (current|amps?|strom)|(current|amps?) (motor|mot|phase)", "", -1e5, 1e5),
    Meaning("throttle_share", "throttle", "fraction", r"throttle|accelerator|gas|pedal|gasgriff", "", -1.1, 2.0),
    Meaning("lowest_cell_voltage_v", "lowest cell voltage", "voltage",
            r"(min\w*|low\w*) (cell|zell\w*)( v\w*)?|(cell|zell\w*)( v\w*)? (min\w*|low\w*)|v ?cell ?min",
            "", -1, 10),
    Meaning("highest_cell_voltage_v", "highest cell voltage", "voltage",
            r"(max\w*|high\w*) (cell|zell\w*)( v\w*)?|(cell|zell\w*)( v\w*)? (max\w*|high\w*)|v ?cell ?max",
            "", -1, 10),
    Meaning(CELL, "voltage of one cell", "voltage", r"(cell|zelle)s?( v\w*)?", "", -1, 10, is_many=True),
    Meaning(OTHER, "another value, kept and drawn under its own name", "ratio", r"(?!)", "", -1e15, 1e15, is_many=True),
)  # fmt: skip
BY_COLUMN = {meaning.column: meaning for meaning in MEANINGS}

_GUESSED_FIRST = ("lowest_cell_voltage_v", "highest_cell_voltage_v", CELL, "charge_in_ah", "charge_out_ah",
                  "energy_in_wh", "energy_out_wh", "battery_temperature_c", "motor_temperature_c",
                  "controller_temperature_c", "motor_current_a", "wheel_speed_mps", "motor_speed_rpm", "lat_deg",
                  "lon_deg", "distance_m", "altitude_m")  # fmt: skip


def meaning_of(column: str) -> Meaning | None:
    """The meaning of a stored column, also of a numbered one such as cell_voltage_v_3."""
    name, _, number = column.rpartition("_")
    return BY_COLUMN.get(column) or (BY_COLUMN.get(name) if number.isdigit() else None)


def label_of(column: str, named: dict[str, list[str]] | None = None) -> str:
    """What a stored column is called on pages; `named` has the own names of values without a meaning here."""
    if named and column in named:
        return named[column][0]
    meaning = meaning_of(column)
    if meaning is None:
        return column
    return f"cell {column.rpartition('_')[2]}" if meaning.column == CELL else meaning.label


@dataclass(frozen=True)
class ColumnChoice:
    """What one column of the file is taken for."""

    index: int
    meaning: str
    unit: str
    flipped: bool = False
    """The logger counts discharge as negative."""


@dataclass(frozen=True)
class Mapping:
    """What the columns of a file are taken for; `interval_s` replaces a time column where there is none."""

    choices: tuple[ColumnChoice, ...]
    interval_s: float | None = None

    def of(self, meaning: str) -> ColumnChoice | None:
        return next((choice for choice in self.choices if choice.meaning == meaning), None)

    def columns(self) -> dict[ColumnChoice, str]:
        """The stored column of each choice: numbered where several may mean one thing."""
        counts: dict[str, int] = {}
        names = {}
        for choice in sorted(self.choices, key=lambda choice: choice.index):
            meaning = BY_COLUMN.get(choice.meaning)
            counts[choice.meaning] = counts.get(choice.meaning, 0) + 1
            is_many = meaning is not None and meaning.is_many
            names[choice] = f"{choice.meaning}_{counts[choice.meaning]}" if is_many else choice.meaning
        return names

    def as_json(self) -> dict[str, Any]:
        listed = [[choice.index, choice.meaning, choice.unit, choice.flipped] for choice in self.choices]
        return {"choices": listed, "interval_s": self.interval_s}

    @classmethod
    def from_json(cls, stored: Any) -> Mapping:
        """A mapping from its stored form. Raises ValueError for anything else."""
        try:
            choices = tuple(
                ColumnChoice(int(index), str(meaning), str(unit), bool(flipped))
                for index, meaning, unit, flipped in stored["choices"]
            )
            interval = stored.get("interval_s")
            return cls(choices, None if interval is None else float(interval))
        except (TypeError, KeyError, ValueError, AttributeError):
            raise ValueError("This is not the stored mapping of a log.") from None


def to_stored(meaning: Meaning, unit: str, values: Any, flipped: bool) -> Any:
    """Values of a column in the stored unit of its meaning; only a current can be counted the other way."""
    if meaning.column == OTHER:
        return values
    stored = KINDS[meaning.kind].stored
    spelled = meaning.units[unit]
    if unit in SCALED:
        values = values * SCALED[unit][1]
    elif spelled != stored:
        values = convert(values, spelled, stored)
    return -values if flipped and meaning.column == "current_a" else values


def signature_of(layout: Layout) -> str:
    """What files of one logger have in common: the names and units of their columns, and how they are written."""
    text = "\x1f".join([layout.delimiter, layout.decimal, *layout.names, "\x1e", *layout.units])
    return hashlib.sha256(text.encode()).hexdigest()


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
