"""Sessions written as plain objects, for tests of the calculations: laid out in columns as the reader lays them out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from calc import session_report
from calc.session_facts import BuildFacts, LimitFacts, LogFacts, PackFacts
from calc.session_sheet import SessionReport, SessionReports
from calc.session_table import FACTS, READING_COLUMNS, SessionTable, Split


@dataclass(frozen=True)
class PassFacts:
    """One timed run that counts. Marks between are optional; both tuples include both ends."""

    distance_m: float
    duration_s: float
    u_distance_m: float
    u_duration_s: float
    direction: str = "out"
    mark_positions_m: tuple[float, ...] = ()
    mark_times_s: tuple[float, ...] = ()
    gate: int = 0


@dataclass(frozen=True)
class ReadingFacts:
    time_s: float
    voltage_v: float | None = None
    current_a: float | None = None
    charge_used_ah: float | None = None
    battery_temperature_c: float | None = None
    motor_temperature_c: float | None = None
    controller_temperature_c: float | None = None


@dataclass(frozen=True)
class SessionFacts:
    distance_m: float | None = None
    u_distance_m: float = 0.0
    runtime_s: float | None = None
    charge_used_ah: float | None = None
    u_charge_used_ah: float = 0.0
    energy_used_wh: float | None = None
    u_energy_used_wh: float = 0.0
    log: LogFacts | None = None
    rest_voltage_start_v: float | None = None
    rest_voltage_end_v: float | None = None
    u_voltage_v: float = 0.1
    u_charge_fraction: float = 0.0
    u_rest_charge_fraction: float = 0.05
    cold_loss_per_c_fraction: float | None = None
    reserve_fraction: float = 0.2
    air_temperature_c: float | None = None
    wind_speed_mps: float | None = None
    passes: tuple[PassFacts, ...] = ()
    readings: tuple[ReadingFacts, ...] = ()
    pack: PackFacts | None = None
    controller: LimitFacts | None = None
    motor: LimitFacts | None = None
    track_width_m: float | None = None
    wheelbase_m: float | None = None
    single_contact: str = ""
    cg_height_m: float | None = None
    cg_forward_m: float | None = None
    cg_needs: str = ""

    @property
    def build(self) -> BuildFacts:
        return BuildFacts(**{field.name: getattr(self, field.name) for field in fields(BuildFacts)})


def _columns(rows: Sequence[Any], names: Sequence[str]) -> dict[str, Any]:
    return {name: np.array([getattr(row, name) for row in rows], dtype=np.float64) for name in names}


def table_of(sessions: Sequence[SessionFacts]) -> SessionTable:
    passes = [run for facts in sessions for run in facts.passes]
    owners = np.repeat(np.arange(len(sessions)), [len(facts.passes) for facts in sessions])
    readings = [reading for facts in sessions for reading in facts.readings]
    return SessionTable(
        len(sessions),
        _columns(sessions, [name for name in FACTS if hasattr(SessionFacts, name)]),
        builds=[facts.build for facts in sessions],
        build=np.arange(len(sessions)),
        cg_needs=[facts.cg_needs for facts in sessions],
        passes=_columns(passes, ("distance_m", "duration_s", "u_distance_m", "u_duration_s")),
        pass_session=owners,
        pass_is_out=[run.direction == "out" for run in passes],
        pass_gate=[run.gate for run in passes],
        splits=[
            Split(
                int(owner),
                np.array(run.mark_positions_m),
                np.array(run.mark_times_s),
                run.u_duration_s / 2**0.5,
                run.u_distance_m,
            )
            for run, owner in zip(passes, owners, strict=True)
            if len(run.mark_positions_m) >= 3 and len(run.mark_times_s) == len(run.mark_positions_m)
        ],
        readings=_columns(readings, READING_COLUMNS),
        reading_session=np.repeat(np.arange(len(sessions)), [len(facts.readings) for facts in sessions]),
        logs=[facts.log for facts in sessions],
    )


def evaluate_all(sessions: Sequence[SessionFacts]) -> SessionReports:
    return session_report.evaluate(table_of(sessions))


def evaluate(facts: SessionFacts) -> SessionReport:
    return evaluate_all([facts])[0]
