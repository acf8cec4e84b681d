"""Reads the facts that doubts are about, as columns: the one place where doubts touch the stored sessions.

`read_facts` hands each kind of record over as plain arrays; whoever reads sessions into columns already may fill `Rows`
from those instead.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any

import numpy as np
from django.db.models import Min, QuerySet
from django.utils import timezone

from buildlog.failures.models import Failure
from buildlog.machines.doubt_facts import MachineFacts, facts_of_machine
from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision, Vehicle
from buildlog.machines.queries import LINE, read_line
from buildlog.storage.columns import as_text
from calc.doubts.surroundings import cells_in_series
from sessions.logs.file_doubts import log_row
from sessions.logs.models import Log
from sessions.outings.models import Gate, Pass, Reading, Session
from sessions.outings.models.outings import ORDER_OF_TAPS

SURFACES_OF_ICE = frozenset({"clear_ice", "white_ice", "snow_on_ice", "packed_snow", "loose_snow", "slush"})
USUAL_U_S = 0.24
"""Added to a pass's time where its speed must be certain: twice the usual uncertainty of a stopwatch."""
SESSION_FACTS = (
    "runtime_s",
    "distance_m",
    "charge_used_ah",
    "energy_used_wh",
    "recharge_energy_wh",
    "rest_voltage_start_v",
    "rest_voltage_end_v",
    "rider_mass_kg",
    "payload_kg",
    "air_temperature_c",
    "wind_speed_mps",
    "ice_thickness_cm",
)
PASS_FACTS = ("duration_s", "u_duration_s", "frames_per_s", "time_into_session_s")
READING_FACTS = (
    "time_into_session_s",
    "voltage_v",
    "current_a",
    "charge_used_ah",
    "battery_temperature_c",
    "motor_temperature_c",
    "controller_temperature_c",
    "distance_m",
)
FAILURE_FACTS = ("time_into_session_s", "distance_into_session_m")
_DAY = timedelta(days=1)


@dataclass
class Rows:
    """Records of one kind. `owner` is the row of each record's session, −1 where it has none.

    Keys stay text, as the database writes them: building as many objects takes longer than all rules.
    """

    texts: list[str] = field(default_factory=list)
    known: dict[str, Any] = field(default_factory=dict)
    owner: Any = field(default_factory=lambda: np.empty(0, dtype=np.intp))
    labels: list[str] = field(default_factory=list)

    @property
    def count(self) -> int:
        return len(self.texts)

    def key(self, row: int) -> uuid.UUID:
        return uuid.UUID(self.texts[row])

    @cached_property
    def _place(self) -> dict[str, int]:
        return {text: row for row, text in enumerate(self.texts)}

    def row_of(self, key: uuid.UUID) -> int | None:
        """The row of a record, None where it is not here; databases write keys in two ways."""
        return self._place.get(str(key), self._place.get(key.hex))

    def rows_of(self, texts: Iterable[str]) -> Any:
        """The rows of keys that are text of the same database, −1 where there is none."""
        place = self._place
        return np.array([place.get(text, -1) for text in texts], dtype=np.intp)


@dataclass
class MachineRows:
    """Facts of one machine, or of one of its sessions."""

    vehicle: Vehicle
    revisions: list[Revision]
    machines: list[MachineFacts]
    fastest_mps: Any
    sessions: Rows
    revision_of: Any
    """The place of each session's revision in `revisions`."""
    passes: Rows
    readings: Rows
    failures: Rows
    failure_revision: Any
    logs: Rows


def read_facts(vehicle: Vehicle, session: uuid.UUID | None = None, only_failures: bool = False) -> MachineRows:
    """Facts of a machine's records, in a fixed number of queries.

    `session` limits them to one session and what belongs to it; `only_failures` to failures, with no session at all.
    """
    revisions = getattr(vehicle, LINE, None) or read_line(vehicle)
    place = {revision.pk: index for index, revision in enumerate(revisions)}
    machines = [facts_of_machine(Machine(revision)) for revision in revisions]
    outings = Session.objects.filter(revision__vehicle=vehicle)
    if session is not None:
        outings = outings.filter(pk=session)
    sessions, revision_of = _sessions(outings.none() if only_failures else outings, place, revisions, vehicle, session)
    row = {text: index for index, text in enumerate(sessions.texts)}
    lengths = _gate_lengths(vehicle)
    of_sessions: dict[str, Any] = (
        {"session": session} if session is not None else {"session__revision__vehicle": vehicle}
    )
    passes = _passes(Pass.objects.filter(valid=True, **of_sessions), row, lengths) if row else Rows()
    readings = _readings(Reading.objects.filter(**of_sessions), row) if row else Rows()
    failed = Failure.objects.filter(session=session) if session is not None else Failure.objects.filter(
        revision__vehicle=vehicle
    )  # fmt: skip
    failures, failure_revision = _failures(failed, row, place, revisions)
    logs = _logs(Log.objects.filter(state=Log.State.READ, **of_sessions), row) if row else Rows()
    return MachineRows(
        vehicle,
        revisions,
        machines,
        _fastest(vehicle, place, lengths, machines),
        sessions,
        revision_of,
        passes,
        readings,
        failures,
        failure_revision,
        logs,
    )


def _columns(rows: Sequence[tuple[Any, ...]], width: int) -> list[tuple[Any, ...]]:
    return list(zip(*rows, strict=True)) if rows else [()] * width


def _floats(values: Sequence[Any]) -> Any:
    return np.array(values, dtype=np.float64)


def _days(moments: Sequence[datetime], revision_of: Any, revisions: list[Revision]) -> dict[str, Any]:
    now, zone = timezone.now(), timezone.get_current_timezone()
    return {
        "days_after_revision": _floats(
            [
                (moment.astimezone(zone).date() - revisions[index].date) / _DAY
                for moment, index in zip(moments, revision_of, strict=True)
            ]
        ),
        "days_ahead_of_now": _floats([(moment - now) / _DAY for moment in moments]),
    }


def _sessions(
    outings: QuerySet[Session],
    place: dict[uuid.UUID, int],
    revisions: list[Revision],
    vehicle: Vehicle,
    session: uuid.UUID | None,
) -> tuple[Rows, Any]:
    names = ("text", "revision_id", "started_at", "ended_at", "surface", "venue__name")
    rows = outings.order_by("started_at", "pk").annotate(text=as_text("id"))
    read = list(rows.values_list(*names, *SESSION_FACTS))
    keys, owners, starts, ends, surfaces, venues, *facts = _columns(read, len(names) + len(SESSION_FACTS))
    revision_of = np.array([place[key] for key in owners], dtype=np.intp)
    known = {name: _floats(column) for name, column in zip(SESSION_FACTS, facts, strict=True)}
    known["elapsed_s"] = _floats(
        [None if end is None else (end - start).total_seconds() for start, end in zip(starts, ends, strict=True)]
    )
    known["on_ice"] = _floats([surface in SURFACES_OF_ICE for surface in surfaces])
    known["started_at"] = _floats([start.timestamp() for start in starts])
    known["ended_at"] = _floats([None if end is None else end.timestamp() for end in ends])
    known |= _days(starts, revision_of, revisions)
    distance_m = known["distance_m"]
    previous = np.append([np.nan], distance_m[:-1]) if len(keys) else distance_m
    if session is not None and len(keys):
        before = Session.objects.filter(revision__vehicle=vehicle, started_at__lt=starts[0])
        previous = _floats([before.order_by("-started_at", "-pk").values_list("distance_m", flat=True).first()])
    known["previous_distance_m"] = previous
    labels = [f"{venue}, {start.astimezone():%Y-%m-%d}" for start, venue in zip(starts, venues, strict=True)]
    return Rows(list(keys), known, np.arange(len(keys)), labels), revision_of


def _gate_lengths(vehicle: Vehicle) -> dict[str, float]:
    gates = Gate.objects.filter(passes__session__revision__vehicle=vehicle).distinct().prefetch_related("marks")
    return {text: gate.length_m for gate in gates for text in (str(gate.pk), gate.pk.hex)}


def _passes(passes: QuerySet[Pass], row: dict[str, int], lengths: dict[str, float]) -> Rows:
    names = ("text", "session_text", "gate_text", "number")
    rows = passes.order_by().annotate(
        text=as_text("id"), session_text=as_text("session_id"), gate_text=as_text("gate_id")
    )
    read = list(rows.values_list(*names, *PASS_FACTS))
    keys, owners, gates, numbers, *facts = _columns(read, len(names) + len(PASS_FACTS))
    known = {name: _floats(column) for name, column in zip(PASS_FACTS, facts, strict=True)}
    known["gate_length_m"] = _floats([lengths.get(gate) or None for gate in gates])
    owner = np.array([row[key] for key in owners], dtype=np.intp)
    return Rows(list(keys), known, owner, [f"Pass {number}" for number in numbers])


def _readings(readings: QuerySet[Reading], row: dict[str, int]) -> Rows:
    rows = readings.order_by().annotate(text=as_text("id"), session_text=as_text("session_id"))
    read = list(rows.values_list("text", "session_text", ORDER_OF_TAPS, *READING_FACTS))
    read.sort(key=lambda values: (row[values[1]], values[2]))
    keys, owners, _, *facts = _columns(read, 3 + len(READING_FACTS))
    known = {name: _floats(column) for name, column in zip(READING_FACTS, facts, strict=True)}
    owner = np.array([row[key] for key in owners], dtype=np.intp)
    labels = [f"Reading at {time_s / 60.0:.0f} min" for time_s in known["time_into_session_s"]]
    return Rows(list(keys), known, owner, labels)


def _failures(
    failures: QuerySet[Failure], row: dict[str, int], place: dict[uuid.UUID, int], revisions: list[Revision]
) -> tuple[Rows, Any]:
    names = (
        "text",
        "session_text",
        "revision_id",
        "happened_at",
        "mode__name",
        "session__started_at",
        "session__ended_at",
    )
    rows = failures.order_by().annotate(text=as_text("id"), session_text=as_text("session_id"))
    read = list(rows.values_list(*names, *FAILURE_FACTS))
    keys, owners, built, moments, modes, starts, ends, *facts = _columns(read, len(names) + len(FAILURE_FACTS))
    known = {name: _floats(column) for name, column in zip(FAILURE_FACTS, facts, strict=True)}
    revision_of = np.array([place[key] for key in built], dtype=np.intp)
    known |= _days(moments, revision_of, revisions)
    known["happened_at"] = _floats([moment.timestamp() for moment in moments])
    for name, ends_of, sign in (("before_start_s", starts, -1.0), ("after_end_s", ends, 1.0)):
        known[name] = _floats(
            [
                None if end is None else sign * (moment - end).total_seconds()
                for moment, end in zip(moments, ends_of, strict=True)
            ]
        )
    owner = np.array([row.get(key, -1) for key in owners], dtype=np.intp)
    return Rows(list(keys), known, owner, [f"Failure: {mode}" for mode in modes]), revision_of


def _logs(logs: QuerySet[Log], row: dict[str, int]) -> Rows:
    names = (
        "text",
        "session_text",
        "name",
        "summary",
        "duration_s",
        "length_m",
        "first_at",
        "clock",
        "session__started_at",
    )
    with_texts = logs.order_by().annotate(text=as_text("id"), session_text=as_text("session_id"))
    read = list(with_texts.values_list(*names))
    keys, owners, labels, summaries, durations, lengths, firsts, clocks, starts = _columns(read, len(names))
    rows = [log_row(*values) for values in zip(summaries, durations, lengths, strict=True)]
    fact_names = {name for facts in rows for name in facts}
    known = {name: _floats([facts.get(name) for facts in rows]) for name in fact_names}
    placed_by_its_own_clock = [
        None if first is None or clock != Log.Clock.OWN else (first - start).total_seconds() / 3600.0
        for first, clock, start in zip(firsts, clocks, starts, strict=True)
    ]
    known["hours_off_session"] = _floats(placed_by_its_own_clock)
    known["first_at"] = _floats([None if first is None else first.timestamp() for first in firsts])
    owner = np.array([row[key] for key in owners], dtype=np.intp)
    return Rows(list(keys), known, owner, [f"Log {label}" for label in labels])


def _fastest(
    vehicle: Vehicle, place: dict[uuid.UUID, int], lengths: dict[str, float], machines: list[MachineFacts]
) -> Any:
    """The speed that each revision's fastest pass had at least; a pass far beyond the gearing is itself in doubt."""
    fastest = np.full(len(place), np.nan)
    best = Pass.objects.filter(session__revision__vehicle=vehicle, valid=True).order_by()
    rows = best.values_list("session__revision_id", "gate_id").annotate(Min("duration_s"))
    for key, gate, duration_s in rows:
        index = place[key]
        speed_mps = lengths.get(str(gate), 0.0) / (duration_s + USUAL_U_S)
        geared_mps = machines[index].surroundings.get("geared_speed_mps")
        if speed_mps > 0 and (geared_mps is None or speed_mps < 1.5 * geared_mps):
            fastest[index] = np.fmax(fastest[index], speed_mps)
    return fastest


def with_cells(known: dict[str, Any]) -> dict[str, Any]:
    """The surroundings of sessions with how many cells the pack has in series."""
    return {**known, "pack_cells_in_series": cells_in_series(known["pack_full_voltage_v"])}
