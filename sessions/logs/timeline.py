"""All logs of a session on the session's own clock: which log has which quantity, and when.

A log's columns are read when they are asked for, one by one, and are not kept, but for the speeds that several results
need.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from buildlog.machines.machine import Machine
from calc.drivetrain import road_speed_mps
from sessions.logs.channels import Channel, channel_named, is_in, known_rows, samples_of
from sessions.logs.columns import StoredColumns, open_columns
from sessions.logs.formula_lines import FORMULA, lines_over
from sessions.logs.meanings import CELL, label_of
from sessions.logs.models import FormulaChannel, Log
from sessions.outings.models import Session

FARTHEST_S = 86_400.0
"""A log that begins farther than this from its session is not of it, and is not shown at first."""
GROUND, WHEEL = "speed over ground", "wheel or track speed"


@dataclass(frozen=True)
class Series:
    """One measured quantity of one log; times in seconds into the session, no NaN in either."""

    log: Log
    label: str
    kind: str
    time_s: Any
    values: Any

    @property
    def title(self) -> str:
        return f"{self.label} ({self.log.name})"

    def at(self, times_s: Any) -> Any:
        """The values at other times, straight between samples; of one log mostly the same times."""
        same = times_s.size == self.time_s.size and np.array_equal(times_s, self.time_s)
        return self.values if same else np.interp(times_s, self.time_s, self.values)


@dataclass(frozen=True)
class Trace:
    """One quantity of one log that can be drawn, or read whole: a channel, and what its values are multiplied by."""

    log: Log
    label: str
    kind: str
    channel: Channel
    columns: StoredColumns
    factor: float = 1.0

    @property
    def is_formula(self) -> bool:
        """Whether it was thought of after the log was imported, so that nothing of it was made ready then."""
        return self.channel.name.startswith(FORMULA)

    @property
    def title(self) -> str:
        return f"{self.label} ({self.log.name})"

    def series(self) -> Series | None:
        """Every sample, or None where there is none."""
        times, values = samples_of(self.channel, known_rows(self.channel, self.columns))
        if not times.size:
            return None
        times = times + self.log.begins_s
        # In place: they were read for this, and a long log has hundreds of megabytes of them.
        values *= self.factor
        return Series(self.log, self.label, self.kind, times, values)


class Timeline:
    """The imported logs of one session. Their files are open until it is closed."""

    def __init__(self, session: Session, logs: Iterable[Log]) -> None:
        self.session = session
        self.logs = [log for log in logs if log.is_read]
        for log in self.logs:
            # The same session, not one more query for each log.
            log.session = session
        self.columns: dict[Any, StoredColumns] = {}
        self.gone: list[Log] = []
        self._kept_speeds: dict[str, Series | None] = {}
        for log in self.logs:
            try:
                self.columns[log.pk] = open_columns(log)
            except FileNotFoundError:
                self.gone.append(log)

    def close(self) -> None:
        for columns in self.columns.values():
            columns.close()

    def __enter__(self) -> Timeline:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @cached_property
    def machine(self) -> Machine:
        return Machine.in_line(self.session.revision)

    def trace(self, log: Log, channel: str, label: str, kind: str, factor: float = 1.0) -> Trace | None:
        """A channel of a log, or None where the log has no such columns."""
        columns = self.columns.get(log.pk)
        line = channel_named(channel)
        if columns is None or not is_in(line, columns) or not columns.has_samples(line):
            return None
        return Trace(log, label, kind, line, columns, factor)

    def every(self, channel: str, label: str, kind: str) -> list[Trace]:
        listed = (self.trace(log, channel, label, kind) for log in self.logs)
        return [trace for trace in listed if trace is not None]

    def every_series(self, channel: str, label: str, kind: str) -> Iterator[Series]:
        """The samples of a channel of each log that has it, one log after the other."""
        for trace in self.every(channel, label, kind):
            if (series := trace.series()) is not None:
                yield series

    @cached_property
    def speeds(self) -> list[Trace]:
        """Every speed logged: over ground, by a track's positions, of wheels, of the motor through its gears."""
        revision, listed = self.session.revision, []
        for log in self.logs:
            ground = self.trace(log, "speed_mps", GROUND, "speed")
            wheel = self.trace(log, "wheel_speed_mps", WHEEL, "speed")
            if wheel is None and revision.drive_ratio and revision.rolling_circumference_m:
                per_turn = road_speed_mps(1.0, revision.drive_ratio, revision.rolling_circumference_m)
                wheel = self.trace(log, "motor_turns_rpm", WHEEL, "speed", per_turn)
            traces = (ground or self.trace(log, "track_speed_mps", GROUND, "speed"), wheel)
            listed += [trace for trace in traces if trace is not None]
        return listed

    @cached_property
    def powers(self) -> list[Trace]:
        """Power by voltage and current, or as a logger has it where these are not both there."""
        listed = []
        for log in self.logs:
            trace = self.trace(log, "power_w", "power", "power") or self.trace(log, "logged_power_w", "power", "power")
            listed += [trace] if trace is not None else []
        return listed

    def cells(self) -> list[Trace]:
        """The lowest and highest cell, and each that was logged by itself."""
        listed = [
            *self.every("lowest_cell_voltage_v", "lowest cell", "voltage"),
            *self.every("highest_cell_voltage_v", "highest cell", "voltage"),
        ]
        for log in self.logs:
            for name in self.columns.get(log.pk) or ():
                if name.startswith(f"{CELL}_") and (trace := self.trace(log, name, label_of(name), "voltage")):
                    listed.append(trace)
        return listed

    def others(self) -> list[tuple[str, Trace]]:
        """Values that have no meaning here, each with its own unit."""
        listed = []
        for log in self.logs:
            for name, (label, unit) in log.summary.get("named", {}).items():
                if trace := self.trace(log, name, label, "ratio"):
                    listed.append((unit, trace))
        return listed

    def formulas(self) -> list[tuple[str, str, Trace]]:
        """The machine's formulas over its logs: what each is called, its unit, and its line."""
        formulas = FormulaChannel.objects.filter(vehicle=self.session.revision.vehicle_id)
        return [
            (stored.name, stored.unit, Trace(log, stored.name, "ratio", channel, self.columns[log.pk]))
            for stored, log, channel in lines_over(formulas, self.logs)
            if log.pk in self.columns and is_in(channel, self.columns[log.pk])
        ]

    def ground_speed(self) -> Series | None:
        return self._first_speed(GROUND)

    def wheel_speed(self) -> Series | None:
        return self._first_speed(WHEEL)

    def _first_speed(self, label: str) -> Series | None:
        if label not in self._kept_speeds:
            every = (trace.series() for trace in self.speeds if trace.label == label)
            self._kept_speeds[label] = next((series for series in every if series is not None), None)
        return self._kept_speeds[label]

    @cached_property
    def _ends_s(self) -> dict[Log, tuple[float, float]]:
        """When each log begins and ends."""
        ends = {}
        for log in self.logs:
            columns = self.columns.get(log.pk)
            if columns is not None and "time_s" in columns:
                first_s, last_s = columns.span_s
                ends[log] = (log.begins_s + first_s, log.begins_s + last_s)
        return ends

    @cached_property
    def far(self) -> list[Log]:
        """Logs of another year, or with a wrong clock: they would leave of the others a line as thin as a hair, so they
        are not drawn. None where no other log is nearer."""
        far = [log for log, (start, _) in self._ends_s.items() if abs(start) > FARTHEST_S]
        return far if len(far) < len(self._ends_s) else []

    @property
    def span_s(self) -> tuple[float, float]:
        """From the first to the last logged moment of the session."""
        ends = [span for log, span in self._ends_s.items() if log not in self.far]
        if not ends:
            return 0.0, 0.0
        return float(min(start for start, _ in ends)), float(max(end for _, end in ends))
