"""The one reader of sessions: any set of them in columns, with their results, in a fixed number of queries.

Rows come from the database as plain tuples and stay arrays until a page shows them, so that one session and twenty
thousand are answered in the same way.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection, Mapping, Sequence
from copy import copy
from datetime import datetime
from functools import cached_property
from itertools import chain
from typing import TYPE_CHECKING, Any, NamedTuple, Self

import numpy as np
from django.db.models import Q, QuerySet

from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision
from buildlog.machines.queries import read_line, read_lines
from buildlog.storage.columns import as_stored, as_text, column_blocks, floats, moments
from calc.doubts.consequences import without_doubtful
from calc.session_facts import LogFacts
from calc.session_report import evaluate
from calc.session_sheet import SessionReports
from calc.session_table import READING_COLUMNS, SessionTable
from sessions.evidence.pass_columns import PassColumns
from sessions.logs.log_facts import StoredLog, log_facts
from sessions.logs.models import Log
from sessions.outings.models import Assumptions, Pass, Reading, Session
from sessions.outings.models.outings import ORDER_OF_TAPS

if TYPE_CHECKING:
    # What is left out is asked of the evidence itself, by the rules on it.
    from sessions.evidence.left_out import LeftOut

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
_OTHERS = (
    "session_text",
    "revision_text",
    "start_text",
    "surface",
    "venue_text",
    "venue__name",
    "distance_method",
)
_NUMBERS_BESIDE = ("recharge_energy_wh", "ice_thickness_cm")
"""Numbers that no result rests on; doubts do."""
_READINGS_BESIDE = ("time_into_session_s", "charge_used_ah", "distance_m")
_LOG = (
    "session_text",
    "log_text",
    "name",
    "summary",
    "duration_s",
    "length_m",
    "first_at",
    "clock",
    "begins_into_session_s",
)
_SHARES = {
    "distance_m": "u_distance_fraction",
    "charge_used_ah": "u_charge_fraction",
    "energy_used_wh": "u_energy_fraction",
}
_ASSUMED = (
    "u_voltage_v",
    "u_charge_fraction",
    "u_rest_charge_fraction",
    "cold_loss_per_c_fraction",
    "reserve_fraction",
)
FEW = 100
"""Up to this many sessions are asked for by their keys."""


class ReadingColumns(NamedTuple):
    """Readings in the order of taps: their columns, the rows of their sessions, and their keys as text."""

    values: dict[str, Any]
    session: Any
    text: Sequence[str]


class LogRow(NamedTuple):
    """What is stored of a log that was read; the recording itself stays in its file."""

    row: int
    text: str
    name: str
    summary: Any
    duration_s: float | None
    length_m: float | None
    first_at: datetime | None
    clock: str
    begins_into_session_s: float | None


def recorded(column: Any, rows: Any) -> Any:
    """The values of a column in these rows, without those that were not recorded or could not be computed."""
    values = column[rows]
    return values[~np.isnan(values)]


class Evidence:
    """Sessions in the order in which they were ridden. `row` below is a session's place in it.

    Parameters
    ----------
    sessions: which ones; their order does not matter.
    machines: the revisions that were ridden, by key, where the page has worked them out already; the others are read.
    direction: passes of this direction only; "" for all.
    """

    def __init__(
        self,
        sessions: QuerySet[Session],
        machines: Mapping[uuid.UUID, Machine] | None = None,
        direction: str = "",
    ) -> None:
        self._sessions, self._direction = sessions, direction
        self.left_out: LeftOut | None = None
        self._whole: Evidence | None = None
        self._read_sessions()
        self._read_machines(machines)

    @classmethod
    def of_revisions(cls, revisions: Collection[uuid.UUID], machines: Mapping[uuid.UUID, Machine]) -> Evidence:
        """The sessions that were ridden with some revisions of machines that the page has worked out."""
        return cls(Session.objects.filter(revision__in=revisions), machines)

    def without_doubtful(self, left_out: LeftOut) -> Self:
        """The same sessions with unknown values in place of those in doubt, for comparisons, records and claims.

        Warnings are worked out with everything: a doubt makes no guard less careful.
        """
        # Asked first: what the rules read of these sessions is then at hand in both.
        is_whole, masks = left_out.is_nothing, left_out.facts_of_sessions(self.text)
        part = copy(self)
        if is_whole:
            part.left_out, part._whole = left_out, self
            return part
        for name in ("reports", "passes", "readings", "load_kg"):
            part.__dict__.pop(name, None)
        part.left_out = left_out
        part.numbers = without_doubtful(self.numbers, masks)
        return part

    @classmethod
    def of_session(cls, session: Session, earlier: int = 0) -> Evidence:
        """A session, with so many of the machine's before it: it is the last row."""
        machines = {revision.pk: Machine(revision) for revision in read_line(session.revision.vehicle)}
        keys = [session.pk]
        if earlier:
            before = Session.objects.filter(
                revision__vehicle=session.revision.vehicle_id, started_at__lt=session.started_at
            )
            keys += before.order_by("-started_at", "-pk").values_list("pk", flat=True)[:earlier]
        return cls(Session.objects.filter(pk__in=keys), machines)

    def _read_sessions(self) -> None:
        rows = self._sessions.order_by("started_at", "pk").annotate(
            session_text=as_text("id"),
            revision_text=as_text("revision_id"),
            venue_text=as_text("venue_id"),
            start_text=as_text("started_at"),
        )
        names = (*_OTHERS, *_NUMBERS, *_NUMBERS_BESIDE, "ended_at")
        blocks = list(column_blocks(rows, names))
        columns = [tuple(chain.from_iterable(column)) for column in zip(*blocks, strict=True)] or [()] * len(names)
        self.count = len(columns[0])
        self.text: Sequence[str] = columns[0]
        self._row = {text: index for index, text in enumerate(self.text)}
        by_text = {text: uuid.UUID(text) for text in set(columns[1])}
        self.revision: Sequence[uuid.UUID] = [by_text[text] for text in columns[1]]
        self.started_at: Sequence[datetime] = moments(columns[2])
        self.surface: Sequence[str] = columns[3]
        self.venue: Sequence[str] = columns[4]
        self.venue_name: Sequence[str] = columns[5]
        self.distance_method: Sequence[str] = columns[6]
        self.is_estimated = np.array([how == Session.DistanceMethod.ESTIMATE for how in columns[6]], dtype=bool)
        """Whether the distance of each session is an estimate."""
        self.numbers = {
            name: floats(columns[len(_OTHERS) + index]) for index, name in enumerate((*_NUMBERS, *_NUMBERS_BESIDE))
        }
        self.ended_at: Sequence[datetime | None] = columns[-1]

    def _read_machines(self, machines: Mapping[uuid.UUID, Machine] | None) -> None:
        ridden = set(self.revision)
        if machines is None:
            machines = {revision.pk: Machine(revision) for revision in read_lines(ridden)}
        self.machines = machines
        self._ridden = [machines[key] for key in sorted(ridden)]
        place = {machine.revision.pk: index for index, machine in enumerate(self._ridden)}
        self._build = np.array([place[key] for key in self.revision], dtype=np.intp)

    @cached_property
    def _known(self) -> list[Assumptions]:
        """The measuring assumptions of each ridden revision's vehicle."""
        vehicles = {machine.revision.vehicle_id for machine in self._ridden}
        stored = {known.vehicle_id: known for known in Assumptions.objects.filter(vehicle__in=vehicles)}
        return [stored.get(key) or Assumptions() for key in (machine.revision.vehicle_id for machine in self._ridden)]

    def _assumed(self, name: str) -> Any:
        """One assumption for each session."""
        return np.array([getattr(known, name) for known in self._known], dtype=np.float64)[self._build]

    @cached_property
    def reports(self) -> SessionReports:
        # Where nothing was left out, nothing is worked out a second time.
        return evaluate(self._table()) if self._whole is None else self._whole.reports

    @cached_property
    def all_passes(self) -> PassColumns:
        """Timed passes in the order of their sessions, also those that do not count."""
        return PassColumns(Pass.objects.filter(self.of_sessions()), self._row, self._assumed("u_press_s"))

    @cached_property
    def passes(self) -> PassColumns:
        """The passes that count."""
        chosen = self.all_passes.valid
        if self._direction:
            chosen = chosen & (self.all_passes.is_out == (self._direction == Pass.Direction.OUT))
        if self.left_out is not None:
            chosen = chosen & ~self.left_out.passes(self.all_passes.text)
        return self.all_passes.only(chosen)

    def of_sessions(self) -> Q:
        """Rows that belong to these sessions; a few keys are cheaper for a database than the question again."""
        if self.count <= FEW:
            return Q(session__in=[uuid.UUID(text) for text in self.text])
        return Q(session__in=self._sessions.order_by().values("pk"))

    @cached_property
    def load_kg(self) -> Any:
        """Rider and payload of each session; a payload that nobody noted is none."""
        return self.numbers["rider_mass_kg"] + np.nan_to_num(self.numbers["payload_kg"])

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

    @cached_property
    def all_readings(self) -> ReadingColumns:
        """Every reading, also what is left out of it."""
        return self.read_readings((*READING_COLUMNS, *_READINGS_BESIDE))

    def read_readings(self, names: Sequence[str]) -> ReadingColumns:
        """Every reading, of its columns only these."""
        readings = Reading.objects.filter(self.of_sessions()).order_by()
        rows = readings.annotate(
            session_text=as_text("session_id"), reading_text=as_text("id"), place=as_stored(ORDER_OF_TAPS)
        )
        blocks = [
            (
                np.array([self._row[text] for text in sessions], dtype=np.intp),
                np.array(keys, dtype=object),
                *map(floats, numbers),
            )
            for sessions, keys, *numbers in column_blocks(rows, ("session_text", "reading_text", "place", *names))
        ]
        if not blocks:
            return ReadingColumns(dict.fromkeys(names, np.empty(0)), np.empty(0, dtype=np.intp), ())
        owners, keys, places, *values = (np.concatenate(column) for column in zip(*blocks, strict=True))
        order = np.lexsort((places, owners))
        return ReadingColumns(
            {name: column[order] for name, column in zip(names, values, strict=True)},
            owners[order],
            keys[order].tolist(),
        )

    @cached_property
    def readings(self) -> tuple[dict[str, Any], Any]:
        """Readings in the order of taps, and whose they are."""
        values, owners, text = self.all_readings
        if self.left_out is not None:
            values = without_doubtful(values, self.left_out.facts_of_readings(text))
        return values, owners

    @cached_property
    def logs(self) -> list[LogRow]:
        """The logs of each session in their order; the recordings themselves stay in their files."""
        logs = Log.objects.filter(self.of_sessions(), state=Log.State.READ).order_by("first_at", "stored_at")
        rows = logs.annotate(session_text=as_text("session_id"), log_text=as_text("id")).values_list(*_LOG)
        return [LogRow(self._row[text], *values) for text, *values in rows]

    def _log_facts(self) -> list[LogFacts | None]:
        """What the logs of each session add up to."""
        listed: dict[int, list[StoredLog]] = {}
        for log in self.logs:
            if self.left_out is None or uuid.UUID(log.text) not in self.left_out.logs:
                stored = StoredLog(log.name, log.summary, log.first_at, log.begins_into_session_s)
                listed.setdefault(log.row, []).append(stored)
        facts: list[LogFacts | None] = [None] * self.count
        for row, logs in listed.items():
            facts[row] = log_facts(logs, self.started_at[row], self._known[self._build[row]])
        return facts

    def _table(self) -> SessionTable:
        numbers = self.numbers
        facts = {name: numbers[name] for name in _NUMBERS if name not in ("rider_mass_kg", "payload_kg")}
        for name, share in _SHARES.items():
            shares = self._assumed(share)
            if name == "distance_m":
                shares = np.where(self.is_estimated, self._assumed("u_estimated_distance_fraction"), shares)
            facts[f"u_{name}"] = np.nan_to_num(numbers[name]) * shares
        facts |= {name: self._assumed(name) for name in _ASSUMED}
        centres, cg_needs = self._centres(self.load_kg)
        readings, reading_session = self.readings
        passes = self.passes
        return SessionTable(
            self.count,
            facts | centres,
            builds=[machine.facts for machine in self._ridden],
            build=self._build,
            cg_needs=cg_needs,
            passes=passes.columns,
            pass_session=passes.session,
            pass_is_out=passes.is_out,
            pass_gate=passes.gate_number,
            splits=passes.splits,
            readings=readings,
            reading_session=reading_session,
            logs=self._log_facts(),
        )

    def _centres(self, load: Any) -> tuple[dict[str, Any], list[str]]:
        """Height and place of the centre of gravity with each session's rider, and what they need where they are not
        known; riders and builds repeat."""
        known: dict[tuple[int, float | None], tuple[Any, str]] = {}
        height, forward = np.full(self.count, np.nan), np.full(self.count, np.nan)
        needs = []
        for row, build in enumerate(self._build.tolist()):
            mass = None if np.isnan(load[row]) else float(load[row])
            if (build, mass) not in known:
                machine = self._ridden[build]
                known[build, mass] = machine.with_rider(mass), machine.balance.needs_for_rider(mass)
            both, lacking = known[build, mass]
            needs.append(lacking)
            if both is not None:
                height[row] = both.z_m
                forward[row] = np.nan if both.x_m is None else both.x_m
        return {"cg_height_m": height, "cg_forward_m": forward}, needs
