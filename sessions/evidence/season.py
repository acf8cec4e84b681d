"""All sessions of one machine in columns, with their results: what comparison, season and records read.

Rows come from the database as plain tuples and stay arrays until a page shows them, so that
thousands of sessions are answered at once.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from itertools import repeat
from typing import Any

import numpy as np
from django.db.models import CharField
from django.db.models.functions import Cast

from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision, Vehicle
from buildlog.machines.queries import read_line
from calc.declaration import Measured
from calc.session_report import evaluate_table
from calc.session_sheet import SessionReports
from calc.session_table import READING_COLUMNS, SessionTable, Split
from calc.speed import gate_speed
from calc.timing import frame_duration_u_s, stopwatch_duration
from sessions.evidence.session_results import LIGHT_GATE_U_S, SATELLITE_U_S
from sessions.logs.log_facts import log_facts
from sessions.logs.models import Log
from sessions.outings.models import Assumptions, Gate, Pass, Reading, Session
from sessions.outings.models.outings import ORDER_OF_TAPS

_NUMBERS = (
    "rider_mass_kg",
    "payload_kg",
    "air_temperature_c",
    "wind_speed_mps",
    "rest_voltage_start_v",
    "rest_voltage_end_v",
    "charge_used_ah",
    "energy_used_wh",
    "runtime_s",
    "distance_m",
)
_OTHERS = ("session_text", "revision_text", "started_at", "surface", "venue_text", "venue__name")


@dataclass(frozen=True)
class GateColumn:
    name: str
    length_m: float
    u_distance_m: float
    positions_m: tuple[float, ...]


@dataclass(frozen=True)
class PassColumns:
    """Passes that count, ordered by their session: parallel arrays."""

    session: Any
    number: Sequence[int]
    gate: Sequence[str]
    is_out: Any
    method: Any
    speed: Measured


def as_text(column: str) -> Cast:
    """A key as the database writes it: tens of thousands of them need not become objects to be told apart."""
    return Cast(column, CharField())


def recorded(column: Any, rows: Any) -> Any:
    """The values of a column in these rows, without those nobody recorded or that could not be worked out."""
    values = column[rows]
    return values[~np.isnan(values)]


class Season:
    """One machine's sessions in the order they were ridden. `row` below is a session's place in it."""

    def __init__(self, vehicle: Vehicle, direction: str = "") -> None:
        self.vehicle = vehicle
        self.revisions: list[Revision] = read_line(vehicle)
        self.machines = {one.pk: Machine(one) for one in self.revisions}
        found = Session.objects.filter(revision__vehicle=vehicle).order_by("started_at", "pk")
        found = found.annotate(
            session_text=as_text("id"), revision_text=as_text("revision_id"), venue_text=as_text("venue_id")
        )
        rows = list(found.values_list(*_OTHERS, *_NUMBERS))
        self.count = len(rows)
        columns = list(zip(*rows, strict=True)) if rows else [()] * (len(_OTHERS) + len(_NUMBERS))
        self.text: Sequence[str] = columns[0]
        self._row = {text: index for index, text in enumerate(self.text)}
        by_text = {text: key for key in self.machines for text in (str(key), key.hex)}
        self.revision: Sequence[uuid.UUID] = [by_text[text] for text in columns[1]]
        self.started_at: Sequence[datetime] = columns[2]
        self.surface: Sequence[str] = columns[3]
        self.venue: Sequence[str] = columns[4]
        self.venue_name: Sequence[str] = columns[5]
        self.numbers = {
            name: np.array(columns[len(_OTHERS) + index], dtype=np.float64) for index, name in enumerate(_NUMBERS)
        }
        self._read_passes(direction)
        self._read_readings()
        self._read_logs()

    @cached_property
    def known(self) -> Assumptions:
        return Assumptions.of(self.vehicle)

    @cached_property
    def reports(self) -> SessionReports:
        return evaluate_table(self._table())

    def key(self, row: int) -> uuid.UUID:
        return uuid.UUID(self.text[row])

    def values(self, key: str) -> Any:
        """One result of every session, NaN where it could not be worked out."""
        return self.reports.values(key)

    @cached_property
    def _rows_by_revision(self) -> dict[uuid.UUID, list[int]]:
        rows: dict[uuid.UUID, list[int]] = {}
        for row, key in enumerate(self.revision):
            rows.setdefault(key, []).append(row)
        return rows

    def rows_of(self, revision: Revision) -> Any:
        """The rows of the sessions ridden with a revision."""
        return np.array(self._rows_by_revision.get(revision.pk, []), dtype=np.intp)

    @cached_property
    def ridden_before_m(self) -> Any:
        """Distance ridden in all when each session began."""
        ridden = np.nan_to_num(self.numbers["distance_m"])
        return np.concatenate([[0.0], np.cumsum(ridden)[:-1]]) if self.count else ridden

    def _read_gates(self, texts: set[str]) -> None:
        self.gates: dict[str, GateColumn] = {}
        gates = Gate.objects.filter(pk__in=[uuid.UUID(text) for text in texts])
        for gate in gates.annotate(text_key=as_text("id")).prefetch_related("marks"):
            told = GateColumn(gate.name, gate.length_m, gate.u_distance_m, tuple(gate.positions_m))
            self.gates[gate.text_key] = told

    def _read_passes(self, direction: str) -> None:
        found = Pass.objects.filter(session__revision__vehicle=self.vehicle, valid=True)
        if direction:
            found = found.filter(direction=direction)
        found = found.annotate(session_text=as_text("session_id"), gate_text=as_text("gate_id"))
        names = ("session_text", "number", "gate_text", "direction", "method", "duration_s", "frames_per_s")
        rows = list(found.values_list(*names, "u_duration_s", "sequence"))
        self._read_gates({row[2] for row in rows})
        short = {text for text, gate in self.gates.items() if gate.length_m <= 0}
        if short:
            # A gate that lost its marks in the back room has no length, and its passes no speed.
            rows = [row for row in rows if row[2] not in short]
        # As `Pass.Meta.ordering` has them.
        rows.sort(key=lambda row: (self._row[row[0]], row[8] is None, row[8] or 0, row[1]))
        owners, numbers, gates, ways, methods, durations, rates, given, _ = (
            zip(*rows, strict=True) if rows else repeat((), 9)
        )
        method = np.array(methods, dtype="U10")
        timing = self._timing(method, np.array(rates, dtype=np.float64), np.array(given, dtype=np.float64))
        self._pass = {
            "distance_m": np.array([self.gates[text].length_m for text in gates], dtype=np.float64),
            "duration_s": np.array(durations, dtype=np.float64),
            "u_distance_m": np.array([self.gates[text].u_distance_m for text in gates], dtype=np.float64),
            "u_duration_s": timing,
        }
        owner = np.array([self._row[text] for text in owners], dtype=np.intp)
        is_out = np.array([way == Pass.Direction.OUT for way in ways], dtype=bool)
        speed = gate_speed(**self._pass) if rows else Measured(np.empty(0), np.empty(0))
        self.passes = PassColumns(owner, numbers, gates, is_out, method, speed)
        self._splits = self._read_splits(found, dict(zip(zip(owners, numbers, strict=True), timing, strict=True)))

    def _read_splits(self, found: Any, timing: dict[Any, float]) -> list[Split]:
        """Passes timed at three marks or more; most have two, and are not asked for their splits."""
        splits = []
        names = ("session_text", "number", "gate_text", "direction", "duration_s", "split_times_s")
        for session, number, text, way, duration_s, times in found.exclude(split_times_s=[]).values_list(*names):
            positions = self.gates[text].positions_m
            if (session, number) not in timing or len(positions) < 3 or len(times) != len(positions) - 2:
                continue
            if way == Pass.Direction.BACK:
                # Ridden the other way, the marks come in the other order.
                positions = tuple(positions[-1] - position for position in reversed(positions))
            u_s = timing[session, number] / np.sqrt(2.0)
            clock = np.array([0.0, *times, duration_s])
            splits.append(Split(self._row[session], np.array(positions), clock, u_s))
        return splits

    def _timing(self, method: Any, rate: Any, given: Any) -> Any:
        """Standard uncertainty of each time: as stated, or as its method usually reaches."""
        by_thumb = float(stopwatch_duration(0.0, 1.0, self.known.u_press_s).u)
        usual = np.full(method.size, by_thumb)
        usual[method == Pass.Method.LIGHT_GATE] = LIGHT_GATE_U_S
        usual[method == Pass.Method.SATELLITE] = SATELLITE_U_S
        by_video = (method == Pass.Method.VIDEO) & (rate > 0)
        if by_video.any():
            usual[by_video] = frame_duration_u_s(rate[by_video])
        return np.where(np.isnan(given), usual, given)

    def _read_readings(self) -> None:
        found = Reading.objects.filter(session__revision__vehicle=self.vehicle)
        found = found.annotate(session_text=as_text("session_id"))
        rows = list(found.values_list("session_text", ORDER_OF_TAPS, *READING_COLUMNS))
        rows.sort(key=lambda row: (self._row[row[0]], row[1]))
        columns = list(zip(*rows, strict=True)) if rows else [()] * (2 + len(READING_COLUMNS))
        self._reading_session = np.array([self._row[key] for key in columns[0]], dtype=np.intp)
        self._readings = {
            name: np.array(columns[2 + index], dtype=np.float64) for index, name in enumerate(READING_COLUMNS)
        }

    def _read_logs(self) -> None:
        """What the logs add up to; the logs themselves stay in their files."""
        found = Log.objects.filter(session__revision__vehicle=self.vehicle, state=Log.State.READ)
        summaries: dict[int, list[Any]] = {}
        for text, summary in found.annotate(session_text=as_text("session_id")).values_list("session_text", "summary"):
            summaries.setdefault(self._row[text], []).append(summary)
        self._logs = {row: log_facts(told, self.known) for row, told in summaries.items()}

    def _table(self) -> SessionTable:
        known, numbers = self.known, self.numbers
        machines = [self.machines[key] for key in self.revision]
        load = numbers["rider_mass_kg"] + np.nan_to_num(numbers["payload_kg"])
        facts = {name: numbers[name] for name in _NUMBERS if name not in ("rider_mass_kg", "payload_kg")}
        facts |= {
            "u_distance_m": np.nan_to_num(numbers["distance_m"]) * known.u_distance_fraction,
            "u_charge_used_ah": np.nan_to_num(numbers["charge_used_ah"]) * known.u_charge_fraction,
            "u_energy_used_wh": np.nan_to_num(numbers["energy_used_wh"]) * known.u_energy_fraction,
            "u_voltage_v": np.full(self.count, known.u_voltage_v),
            "u_rest_charge_fraction": np.full(self.count, known.u_rest_charge_fraction),
            "reserve_fraction": np.full(self.count, known.reserve_fraction),
        }
        for name in ("track_width_m", "wheelbase_m"):
            facts[name] = np.array([getattr(one.revision, name) for one in machines], dtype=np.float64)
        centres, cg_needs = self._centres(machines, load)
        facts |= centres
        packs = {key: machine.pack for key, machine in self.machines.items()}
        controllers, motors = (
            {key: machine.limits(category) for key, machine in self.machines.items()}
            for category in ("speed_controller", "motor")
        )
        return SessionTable.of_columns(
            facts,
            [packs[key] for key in self.revision],
            [controllers[key] for key in self.revision],
            [motors[key] for key in self.revision],
            [machine.single_contact for machine in machines],
            cg_needs,
            self._pass,
            self.passes.session,
            self.passes.is_out,
            self._splits,
            self._readings,
            self._reading_session,
            [self._logs.get(row) for row in range(self.count)],
        )

    def _centres(self, machines: list[Machine], load: Any) -> tuple[dict[str, Any], list[str]]:
        """Height and place of the centre of gravity with each session's rider, and what they need where they are not
        known; riders and builds repeat."""
        known: dict[tuple[uuid.UUID, float | None], tuple[Any, str]] = {}
        height, forward = np.full(self.count, np.nan), np.full(self.count, np.nan)
        needs = []
        for row, machine in enumerate(machines):
            mass = None if np.isnan(load[row]) else float(load[row])
            key = (machine.revision.pk, mass)
            if key not in known:
                known[key] = machine.with_rider(mass), machine.balance.needs_for_rider(mass)
            both, lacking = known[key]
            needs.append(lacking)
            if both is not None:
                height[row] = both.z_m
                forward[row] = np.nan if both.x_m is None else both.x_m
        return {"cg_height_m": height, "cg_forward_m": forward}, needs
