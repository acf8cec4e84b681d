"""What a column of a logger can mean, in which units, and the most likely one for a header."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Any

from calc.kinds import KINDS
from calc.units import convert
from sessions.logs.csv_layout import Layout

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
    scale: float = 1.0
    """What the numbers of the file are multiplied by before anything else: an instrument that shows too much."""


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
        listed = [[choice.index, choice.meaning, choice.unit, choice.flipped, choice.scale] for choice in self.choices]
        return {"choices": listed, "interval_s": self.interval_s}

    @classmethod
    def from_json(cls, stored: Any) -> Mapping:
        """A mapping from its stored form. Raises ValueError for anything else."""
        try:
            choices = tuple(
                # Earlier versions stored no scale.
                ColumnChoice(int(index), str(meaning), str(unit), bool(flipped), *map(float, scale))
                for index, meaning, unit, flipped, *scale in stored["choices"]
            )
            interval = stored.get("interval_s")
            return cls(choices, None if interval is None else float(interval))
        except (TypeError, KeyError, ValueError, AttributeError):
            raise ValueError("This is not the stored mapping of a log.") from None


LARGEST_SCALE = 1e6


def may_be_flipped(meaning: Meaning) -> bool:
    """Whether a logger may count it below zero where here it is above: discharge."""
    return meaning.column == "current_a"


def to_stored(choice: ColumnChoice, values: Any) -> Any:
    """Values of a column as the file has them, in the stored unit of their meaning."""
    meaning = BY_COLUMN[choice.meaning]
    if choice.scale != 1.0:
        values = values * choice.scale
    if meaning.column == OTHER:
        return values
    stored = KINDS[meaning.kind].stored
    spelled = meaning.units[choice.unit]
    if choice.unit in SCALED:
        values = values * SCALED[choice.unit][1]
    elif spelled != stored:
        values = convert(values, spelled, stored)
    return -values if choice.flipped and may_be_flipped(meaning) else values


def signature_of(layout: Layout) -> str:
    """What files of one logger have in common: the names and units of their columns, and how they are written."""
    text = "\x1f".join([layout.delimiter, layout.decimal, *layout.names, "\x1e", *layout.units])
    return hashlib.sha256(text.encode()).hexdigest()
