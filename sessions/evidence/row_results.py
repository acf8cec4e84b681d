"""The results that lists show in their rows: of any sessions, in a fixed number of queries for each machine."""

from __future__ import annotations

import uuid
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from django.db.models import Q

from buildlog.machines.machine import Machine
from buildlog.machines.models import Vehicle
from buildlog.machines.queries import read_line
from calc.declaration import Measured
from sessions.evidence.doubts import doubts_of_sessions
from sessions.evidence.left_out import LeftOut
from sessions.evidence.reader import Evidence
from sessions.outings.models import Pass, Session


class ListedResult(NamedTuple):
    key: str
    heading: str
    kind: str


RESULTS = (
    ListedResult("average_gate_speed", "Gate speed", "speed"),
    ListedResult("energy_per_distance", "Energy per km", "consumption"),
)


class RowValue(NamedTuple):
    """A result of a row with its kind, for the page."""

    result: ListedResult
    value: float
    u: float | None


@dataclass
class RowResults:
    """The results of one session in the order of RESULTS, None where there is none, and which facts are in doubt."""

    values: list[RowValue | None] = field(default_factory=lambda: [None] * len(RESULTS))
    in_doubt: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class PassResult:
    """A pass with its speed, None where its gate has no length, or where it began from rest."""

    run: Pass
    speed: Measured | None
    in_doubt: bool


def _by_machine(sessions: Iterable[Session]) -> Iterator[tuple[Evidence, LeftOut]]:
    """The evidence of some sessions, machine by machine, and what of it is in doubt."""
    vehicles: dict[uuid.UUID, Vehicle] = {}
    keys: dict[uuid.UUID, list[uuid.UUID]] = {}
    for session in sessions:
        vehicle = session.revision.vehicle
        vehicles.setdefault(vehicle.pk, vehicle)
        keys.setdefault(vehicle.pk, []).append(session.pk)
    for key, vehicle in vehicles.items():
        machines = {revision.pk: Machine(revision) for revision in read_line(vehicle)}
        # By their keys alone: asked for the machine as well, SQLite goes through all of its sessions.
        evidence = Evidence(Session.objects.filter(pk__in=keys[key]), machines)
        yield evidence, LeftOut(doubts_of_sessions(vehicle, evidence))


def session_results(sessions: Collection[Session]) -> dict[uuid.UUID, RowResults]:
    """The results of sessions, which were read with their machines, without what is in doubt; by their keys."""
    rows = {session.pk: RowResults() for session in sessions}
    for evidence, left_out in _by_machine(sessions):
        masks = left_out.facts_of_sessions(evidence.text)
        careful = evidence.without_doubtful(left_out)
        measured = [careful.reports.measured(result.key) for result in RESULTS]
        for row in range(evidence.count):
            of_session = rows[evidence.key(row)]
            of_session.in_doubt = [name for name, mask in masks.items() if mask[row]]
            of_session.values = [
                _row_value(result, values, row) for result, values in zip(RESULTS, measured, strict=True)
            ]
    return rows


def _row_value(result: ListedResult, measured: Measured, row: int) -> RowValue | None:
    value = float(np.asarray(measured.value)[row])
    if np.isnan(value):
        return None
    u = None if measured.u is None else float(np.asarray(measured.u)[row])
    return RowValue(result, value, None if u is None or np.isnan(u) else u)


def pass_results(sessions: Collection[Session], chosen: Q) -> dict[uuid.UUID, list[PassResult]]:
    """The chosen passes of sessions, which were read with their machines, and their speeds; by keys of sessions."""
    keys = [session.pk for session in sessions]
    runs: dict[str, Any] = {}
    for run in Pass.objects.filter(chosen, session__in=keys).select_related("gate"):
        runs[run.pk.hex] = run
    results: dict[uuid.UUID, list[PassResult]] = {}
    speeds: dict[str, tuple[Measured, bool]] = {}
    for evidence, left_out in _by_machine(sessions):
        passes = evidence.all_passes
        in_doubt, speed = left_out.passes(passes.text), passes.speed
        for index, text in enumerate(passes.text):
            measured = Measured(float(speed.value[index]), float(speed.u[index]))
            speeds[uuid.UUID(text).hex] = measured, bool(in_doubt[index])
    for key, run in runs.items():
        measured_speed, doubted = speeds.get(key, (None, False))
        speed_of_run = None if run.start else measured_speed
        results.setdefault(run.session_id, []).append(PassResult(run, speed_of_run, doubted))
    return results
