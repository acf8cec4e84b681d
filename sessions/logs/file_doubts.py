"""Doubts about a logger's file, asked before anything is taken from it: what its columns were taken for cannot be.

The whole file is read as it was mapped, and held against this machine's pack and limits and against its session. A
slip is another unit, scale, sign, form of the time or column. It is offered where it leaves fewer doubts, and no new
one.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from django.utils import timezone

from buildlog.machines.doubt_facts import facts_of_machine
from buildlog.machines.machine import Machine
from calc.doubts.check import Checked, Doubt, check
from calc.doubts.subjects import SUBJECTS
from calc.doubts.surroundings import cells_in_series
from sessions.logs.column_guess import other_columns
from sessions.logs.columns import stored_digits
from sessions.logs.content import open_content
from sessions.logs.csv_layout import Head, Layout
from sessions.logs.csv_reading import CsvRecording
from sessions.logs.instrument_columns import misfits
from sessions.logs.logger_time import SECONDS_IN, TextTimes
from sessions.logs.meanings import BY_COLUMN, DATE, DATE_FORMATS, TIME, ColumnChoice, Mapping, to_stored
from sessions.logs.models import Log
from sessions.logs.models.logs import facts_in
from sessions.logs.series import NotARecording
from sessions.logs.summary import Summary
from sessions.outings.models import Session

LOG = SUBJECTS["log"]
LARGEST_READ_AGAIN_BYTES = 40 * 1024 * 1024
"""Slips for which the file must be read again are tried on files up to this size."""
FEWEST_STEPS = 30
MOST_LEVELS = 1000
CLEAR_SLOPE = 0.3

LOG_FACTS = (
    ("highest_voltage_v", "voltage_v", 1),
    ("lowest_voltage_v", "voltage_v", 0),
    ("highest_current_a", "current_a", 1),
    ("lowest_current_a", "current_a", 0),
    ("highest_speed_mps", "speed_mps", 1),
    ("highest_wheel_speed_mps", "wheel_speed_mps", 1),
    ("highest_motor_speed_rpm", "motor_speed_rpm", 1),
    *(
        (f"{end}_{part}_temperature_c", f"{part}_temperature_c", place)
        for part in ("battery", "motor", "controller")
        for end, place in (("lowest", 0), ("highest", 1))
    ),
)
"""Facts that are the lowest (0) or highest (1) value of a log's column."""


def log_row(summary: Any, duration_s: float | None, length_m: float | None) -> dict[str, float | None]:
    """The facts of one log by what is stored of it: the ends of its columns, and what it adds up to."""
    summary = summary if isinstance(summary, dict) else {}
    columns = summary.get("columns") or {}
    known: dict[str, float | None] = {
        name: columns[column][end] for name, column, end in LOG_FACTS if column in columns
    }
    added_up = facts_in({"facts": summary.get("facts") or {}})
    if added_up is not None:
        known |= {
            "charge_ah": added_up.charge_ah,
            "energy_wh": added_up.energy_wh,
            "peak_power_w": added_up.peak_power_w,
        }
    known["instrument_misfits"] = summary.get("instrument_misfits")
    return {**known, "duration_s": duration_s, "distance_m": length_m}


@dataclass(frozen=True)
class ReadThrough:
    """What a file holds when it is read as it is mapped, without keeping its rows."""

    first_at: datetime | None
    facts: dict[str, float | None]
    ends: dict[str, list[float]]
    """The lowest and highest stored value of each column."""


class _Beside:
    """What the summary of a recording leaves out: steps of the clock, values that stand still, slope of the voltage."""

    def __init__(self) -> None:
        self._step_s: float | None = None
        self._levels: dict[str, set[float]] = {"voltage_v": set(), "current_a": set()}
        self._steps = np.zeros(3)
        self._count = 0

    def add(self, columns: dict[str, Any]) -> None:
        if self._step_s is None and TIME in columns and columns[TIME].size > 1:
            self._step_s = float(np.median(np.diff(columns[TIME])))
        for name, levels in self._levels.items():
            if name in columns and len(levels) < MOST_LEVELS:
                levels.update(columns[name][~np.isnan(columns[name])][:: max(1, columns[name].size // 1000)].tolist())
        if {"voltage_v", "current_a"} <= set(columns):
            good = ~(np.isnan(columns["voltage_v"]) | np.isnan(columns["current_a"]))
            volts, amperes = (np.diff(columns[name][good]) for name in ("voltage_v", "current_a"))
            self._steps += [np.dot(volts, amperes), np.dot(volts, volts), np.dot(amperes, amperes)]
            self._count += volts.size

    @property
    def slope_sign(self) -> float | None:
        """1 where the voltage rises with the current from row to row, −1 where it falls, None where it is unclear."""
        together, volts, amperes = self._steps
        if self._count < FEWEST_STEPS or not volts or not amperes:
            return None
        correlation = float(together / np.sqrt(volts * amperes))
        return float(np.sign(correlation)) if abs(correlation) > CLEAR_SLOPE else None

    def facts(self) -> dict[str, float | None]:
        levels = {name: float(len(values)) or None for name, values in self._levels.items()}
        return {
            "usual_step_s": self._step_s,
            "voltage_levels": levels["voltage_v"],
            "current_levels": levels["current_a"],
            "voltage_slope_sign": self.slope_sign,
        }


def read_through(log: Log, layout: Layout, mapping: Mapping) -> ReadThrough:
    """Read a whole file, a block at a time. Raises NotARecording where it cannot be read as it is mapped."""
    summary, beside = Summary(), _Beside()
    with open_content(log) as content:
        recording = CsvRecording(content, layout, mapping, timezone.get_default_timezone())
        for block in recording.blocks():
            columns = {name: np.round(values, stored_digits(name)) for name, values in block.items()}
            summary.add(columns)
            beside.add(columns)
    facts = log_row(summary.as_json(), summary.duration_s, summary.length_m)
    return ReadThrough(recording.first_at, {**facts, **beside.facts(), **_counted(summary.ends)}, summary.ends)


def _counted(ends: dict[str, list[float]]) -> dict[str, float | None]:
    """What the logger's own counters say was used: taken out less put back."""
    moved = {name: ends[name][1] - ends[name][0] for name in ("charge_out_ah", "charge_in_ah") if name in ends}
    if not moved:
        return {}
    return {"counter_charge_ah": moved.get("charge_out_ah", 0.0) - moved.get("charge_in_ah", 0.0)}


def surroundings_of(session: Session) -> dict[str, float | None]:
    """What a file is compared with: the machine as built, and its session."""
    known_machine = facts_of_machine(Machine.in_line(session.revision))
    known: dict[str, float | None] = dict(known_machine.surroundings)
    full_v, constant = known.get("pack_full_voltage_v"), known_machine.build.get("motor_constant_rpm_per_v")
    if full_v is not None:
        known["pack_cells_in_series"] = float(cells_in_series(np.array([full_v]))[0])
        known["motor_speed_limit_rpm"] = None if constant is None else constant * full_v
    return known | {
        "air_temperature_c": session.air_temperature_c,
        "runtime_s": session.runtime_s,
        "elapsed_s": None if session.ended_at is None else (session.ended_at - session.started_at).total_seconds(),
        "session_distance_m": session.distance_m,
        "session_charge_ah": session.charge_used_ah,
        "session_energy_wh": session.energy_used_wh,
    }


def _checked(log: Log, layout: Layout, mapping: Mapping, around: dict[str, float | None], read: ReadThrough) -> Checked:
    session, known = log.session, {**around, **read.facts}
    if log.instrument is not None:
        known["instrument_misfits"] = float(len(misfits(log.instrument.known_columns, layout, mapping, read.ends)))
    if read.first_at is not None:
        known["first_at"] = read.first_at.timestamp()
        known["hours_off_session"] = (read.first_at - session.started_at) / timedelta(hours=1)
    return check(LOG, known)


@dataclass(frozen=True)
class FileMend:
    """Another meaning of one column that leaves fewer doubts: its words, and the choice in its place."""

    words: str
    choice: ColumnChoice
    replaces: ColumnChoice

    @property
    def value(self) -> str:
        """As the button of the page sends it."""
        flipped = "flipped" if self.choice.flipped else ""
        return "|".join(
            [str(self.replaces.index), str(self.choice.index), self.choice.meaning, self.choice.unit, flipped]
        )

    @staticmethod
    def applied(mapping: Mapping, value: str) -> Mapping:
        """The mapping after a button was pressed. Raises ValueError for anything else."""
        old, new, meaning, unit, flipped = value.split("|")
        is_many = meaning in BY_COLUMN and BY_COLUMN[meaning].is_many
        others = (choice for choice in mapping.choices if choice.index not in (int(old), int(new)))
        kept = tuple(choice for choice in others if is_many or choice.meaning != meaning)
        scale = next((choice.scale for choice in mapping.choices if choice.index == int(new)), 1.0)
        choices = (*kept, ColumnChoice(int(new), meaning, unit, flipped == "flipped", scale))
        return replace(mapping, choices=tuple(sorted(choices, key=lambda choice: choice.index)))


@dataclass(frozen=True)
class FileDoubts:
    """What is doubted about a file as it is mapped, and what would explain it."""

    read: ReadThrough
    doubts: list[Doubt]
    mends: list[FileMend]
    misfits: list[str] = field(default_factory=list)
    """What does not hold of the checks of the file's instrument, a sentence each."""


def doubts_of_file(log: Log, head: Head, mapping: Mapping, system: str = "metric") -> FileDoubts:
    """Read the whole file as it is mapped, and ask. Raises NotARecording where it cannot be read so."""
    read, around = read_through(log, head.layout, mapping), surroundings_of(log.session)
    checked = _checked(log, head.layout, mapping, around, read)
    doubts = [replace(doubt, mends=()) for doubt in checked.doubts(0, system)]
    if not doubts:
        return FileDoubts(read, [], [])
    broken = _broken(checked)
    whole, part = [], []
    for mend, other in _candidates(log, head, mapping, read):
        other_mapping = FileMend.applied(mapping, mend.value)
        after = _broken(_checked(log, head.layout, other_mapping, around, other))
        if not after:
            whole.append(mend)
        elif after < broken and not _own_rules(mend.choice.meaning) & after:
            part.append(mend)
    # First those that leave no doubt at all; without any, those that leave fewer and no new one.
    wrong: list[str] = []
    if log.instrument is not None:
        wrong = misfits(log.instrument.known_columns, head.layout, mapping, read.ends, system)
    return FileDoubts(read, doubts, whole or part, wrong)


def _broken(checked: Checked) -> set[str]:
    return {rule.key for rule in checked.rules_of(0)}


def _own_rules(meaning: str) -> set[str]:
    """The rules on the ends of one column alone."""
    name = meaning.rpartition("_")[0]
    return {rule.key for rule in LOG.rules if name in rule.facts[0] and len(rule.facts) == 1}


def _candidates(log: Log, head: Head, mapping: Mapping, read: ReadThrough) -> Iterator[tuple[FileMend, ReadThrough]]:
    for choice in mapping.choices:
        if choice.meaning == TIME:
            yield from _other_times(log, head, mapping, choice, read)
        elif choice.meaning in BY_COLUMN and choice.meaning != DATE:
            yield from _other_units(head, choice, read)
            if choice.meaning in ("voltage_v", "current_a", "motor_speed_rpm"):
                yield from _other_columns(log, head, mapping, choice)


def _other_units(head: Head, choice: ColumnChoice, read: ReadThrough) -> Iterator[tuple[FileMend, ReadThrough]]:
    """Every other unit of a column, and for a current the other sign."""
    meaning, name = BY_COLUMN[choice.meaning], head.layout.names[choice.index]
    begin, unit_step = _line(choice)
    for unit in meaning.units:
        if unit != choice.unit:
            other = replace(choice, unit=unit)
            other_begin, other_step = _line(other)
            factor = other_step / unit_step
            words = f"{name}: {meaning.label} in {unit}, not {choice.unit}"
            yield FileMend(words, other, choice), _scaled(read, choice.meaning, factor, other_begin - factor * begin)
    if choice.meaning == "current_a":
        other = replace(choice, flipped=not choice.flipped)
        sign = "below" if other.flipped else "above"
        words = f"{name}: discharge is counted {sign} zero"
        yield FileMend(words, other, choice), _scaled(read, "current_a", -1.0, 0.0)


def _line(choice: ColumnChoice) -> tuple[float, float]:
    """A unit's values are stored as a + b · value: these two."""
    begin, next_value = (float(to_stored(choice, value)) for value in (0.0, 1.0))
    return begin, next_value - begin


def _scaled(read: ReadThrough, column: str, factor: float, offset: float) -> ReadThrough:
    """What the file would hold with every value of a column turned into factor · value + offset."""
    facts = dict(read.facts)
    names = [name for name, of_column, _ in LOG_FACTS if of_column == column]
    for name in names:
        facts[name] = None if (value := facts.get(name)) is None else factor * value + offset
    if factor < 0:
        lowest, highest = (next((name for name in names if name.startswith(end)), "") for end in ("lowest", "highest"))
        facts[lowest], facts[highest] = facts.get(highest), facts.get(lowest)
        # The highest power was seen while the pack was charged, or not at all.
        facts["peak_power_w"] = None
        if (slope := facts.get("voltage_slope_sign")) is not None:
            facts["voltage_slope_sign"] = -slope
    follows = {
        "voltage_v": ("energy_wh", "peak_power_w"),
        "current_a": ("charge_ah", "energy_wh", "peak_power_w"),
        "charge_out_ah": ("counter_charge_ah",),
        "distance_m": ("distance_m",),
    }.get(column, ())
    ends = dict(read.ends)
    if column in ends:
        ends[column] = sorted(factor * end + offset for end in ends[column])
    return replace(read, facts=_times(facts, follows, factor), ends=ends)


def _times(facts: dict[str, float | None], names: Collection[str], factor: float) -> dict[str, float | None]:
    return facts | {name: value * factor for name in names if (value := facts.get(name)) is not None}


def _other_times(
    log: Log, head: Head, mapping: Mapping, choice: ColumnChoice, read: ReadThrough
) -> Iterator[tuple[FileMend, ReadThrough]]:
    name = head.layout.names[choice.index]
    if choice.unit in SECONDS_IN:
        by_speed = not {"distance_m", "lat_deg"} & {other.meaning for other in mapping.choices}
        follows = ("duration_s", "usual_step_s", "charge_ah", "energy_wh", *(("distance_m",) if by_speed else ()))
        for unit, seconds in SECONDS_IN.items():
            if unit != choice.unit:
                facts = _times(read.facts, follows, seconds / SECONDS_IN[choice.unit])
                mend = FileMend(f"{name}: in {unit}, not {choice.unit}", replace(choice, unit=unit), choice)
                yield mend, replace(read, facts=facts)
        return
    if not TextTimes.reads(choice.unit) or log.size_bytes > LARGEST_READ_AGAIN_BYTES:
        return
    for unit in (*DATE_FORMATS, "clock", "minutes:seconds"):
        # A date stays a date, and a time of day a time without one.
        if unit != choice.unit and (unit in DATE_FORMATS) == (choice.unit in DATE_FORMATS):
            mend = FileMend(f"{name}: {unit}, not {choice.unit}", replace(choice, unit=unit), choice)
            other = _read_so(log, head, mapping, mend)
            if other is not None:
                yield mend, other


def _other_columns(
    log: Log, head: Head, mapping: Mapping, choice: ColumnChoice
) -> Iterator[tuple[FileMend, ReadThrough]]:
    """Another column of the file whose name says the same quantity."""
    if log.size_bytes > LARGEST_READ_AGAIN_BYTES:
        return
    names, label = head.layout.names, BY_COLUMN[choice.meaning].label
    for other in other_columns(head.layout, head.rows, choice):
        words = f"{names[other.index]} is the {label}, not {names[choice.index]}"
        mend = FileMend(words, other, choice)
        read = _read_so(log, head, mapping, mend)
        if read is not None:
            yield mend, read


def _read_so(log: Log, head: Head, mapping: Mapping, mend: FileMend) -> ReadThrough | None:
    try:
        return read_through(log, head.layout, FileMend.applied(mapping, mend.value))
    except NotARecording:
        return None
