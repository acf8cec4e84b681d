"""All logs of a session on the session's own clock: which log has which quantity, and when."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from buildlog.machines.machine import Machine
from calc.drivetrain import road_speed_mps
from calc.geodesy import track_speed_mps
from sessions.logs.columns import read_columns
from sessions.logs.models import Log
from sessions.logs.series import positions
from sessions.outings.models import Session

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


class Timeline:
    """The imported logs of one session. Their files are opened once each."""

    def __init__(self, session: Session, logs: Iterable[Log]) -> None:
        self.session = session
        self.logs = [log for log in logs if log.is_read]
        for log in self.logs:
            # The same session, not one more query for each log.
            log.session = session
        self.columns: dict[Any, dict[str, Any]] = {}
        self.gone: list[Log] = []
        for log in self.logs:
            try:
                self.columns[log.pk] = read_columns(log)
            except FileNotFoundError:
                self.gone.append(log)

    @cached_property
    def machine(self) -> Machine:
        return Machine.in_line(self.session.revision)

    def series(self, log: Log, column: str, label: str, kind: str) -> Series | None:
        """A column with its times, or None where the log has no such column."""
        columns = self.columns.get(log.pk, {})
        if column not in columns or "time_s" not in columns:
            return None
        return _series(log, label, kind, columns["time_s"] + log.begins_s, columns[column])

    def every(self, column: str, label: str, kind: str) -> list[Series]:
        listed = (self.series(log, column, label, kind) for log in self.logs)
        return [series for series in listed if series is not None]

    @cached_property
    def speeds(self) -> list[Series]:
        """Every speed logged: over ground, by a track's positions, of wheels, of the motor through its gears."""
        listed: list[Series] = []
        for log in self.logs:
            columns = self.columns.get(log.pk, {})
            ground = self.series(log, "speed_mps", GROUND, "speed") or _of_positions(log, columns)
            wheel = self.series(log, "wheel_speed_mps", WHEEL, "speed") or self._of_motor(log, columns)
            listed += [series for series in (ground, wheel) if series is not None]
        return listed

    def _of_motor(self, log: Log, columns: dict[str, Any]) -> Series | None:
        revision = self.session.revision
        if "motor_speed_rpm" not in columns or not revision.drive_ratio or not revision.rolling_circumference_m:
            return None
        turns = np.abs(np.nan_to_num(columns["motor_speed_rpm"]))
        speeds = road_speed_mps(turns, revision.drive_ratio, revision.rolling_circumference_m)
        speeds = np.where(np.isnan(columns["motor_speed_rpm"]), np.nan, speeds)
        return _series(log, WHEEL, "speed", columns["time_s"] + log.begins_s, speeds)

    @cached_property
    def powers(self) -> list[Series]:
        listed = []
        for log in self.logs:
            columns = self.columns.get(log.pk, {})
            if {"voltage_v", "current_a", "time_s"} <= set(columns):
                power = columns["voltage_v"] * columns["current_a"]
                series = _series(log, "power", "power", columns["time_s"] + log.begins_s, power)
                listed += [series] if series is not None else []
        return listed

    def ground_speed(self) -> Series | None:
        return next((series for series in self.speeds if series.label == GROUND), None)

    def wheel_speed(self) -> Series | None:
        return next((series for series in self.speeds if series.label == WHEEL), None)

    @property
    def span_s(self) -> tuple[float, float]:
        """From the first to the last logged moment of the session."""
        ends = [
            (log.begins_s + columns["time_s"][0], log.begins_s + columns["time_s"][-1])
            for log in self.logs
            if "time_s" in (columns := self.columns.get(log.pk, {}))
        ]
        if not ends:
            return 0.0, 0.0
        return float(min(start for start, _ in ends)), float(max(end for _, end in ends))


def _series(log: Log, label: str, kind: str, times: Any, values: Any) -> Series | None:
    good = ~np.isnan(values)
    if not good.any():
        return None
    return Series(log, label, kind, times[good], values[good])


def _of_positions(log: Log, columns: dict[str, Any]) -> Series | None:
    """Speed over ground from the positions of a track."""
    track = positions(columns)
    if track is None or "time_s" not in track or track["lat_deg"].size < 2:
        return None
    return Series(log, GROUND, "speed", track["time_s"] + log.begins_s, track_speed_mps(**track))
