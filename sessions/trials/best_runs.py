"""The record board: the best pass and the best mean of both ways through each gate."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from buildlog.machines.models import Revision
from calc.declaration import Measured
from calc.speed import two_way_mean
from calc.trials.passes import expected_maximum
from sessions.evidence.season import Season
from sessions.outings.models import Pass, Session

LEAST_PASSES = 4
"""The fastest to expect of fewer passes is hardly more than their mean (common practice, no source)."""
MOST_REVISIONS = 12


@dataclass(frozen=True)
class Record:
    """One record with its evidence."""

    gate: str
    length_m: float
    what: str
    kernel: str
    speed: Measured
    revision: Revision
    session: uuid.UUID
    started_at: datetime
    conditions: list[tuple[str, float | str]]
    evidence: str


def records_of(season: Season) -> list[Record]:
    """For each gate the fastest pass, and the fastest mean of a pass out and a pass back of one session."""
    passes = season.passes
    board = []
    by_gate: dict[str, list[int]] = {}
    for index, gate in enumerate(passes.gate):
        by_gate.setdefault(gate, []).append(index)
    for gate, listed in sorted(by_gate.items(), key=lambda row: season.passes.gates[row[0]].name):
        indices = np.array(listed)
        best = int(indices[np.argmax(passes.speed.value[indices])])
        speed = Measured(float(passes.speed.value[best]), float(passes.speed.u[best]))
        board.append(_record(season, gate, "Best pass", "speed.gate_speed", speed, [best]))
        both = _best_two_way(season, indices)
        if both is not None:
            pair, mean = both
            board.append(_record(season, gate, "Two-way mean", "speed.two_way_mean", mean, pair))
    return board


def _best_two_way(season: Season, indices: np.ndarray) -> tuple[list[int], Measured] | None:
    """The fastest out and the fastest back of one session, of the session where their mean is highest."""
    value, u = season.passes.speed
    owners, ways = season.passes.session[indices], season.passes.is_out[indices]
    fastest = []
    for way in (True, False):
        # Slowest first, so that the fastest pass of each session is written last.
        listed = indices[ways == way]
        listed = listed[np.argsort(value[listed], kind="stable")]
        fastest_pass = np.full(season.count, -1)
        fastest_pass[season.passes.session[listed]] = listed
        fastest.append(fastest_pass)
    rows = np.unique(owners[(fastest[0][owners] >= 0) & (fastest[1][owners] >= 0)])
    if not rows.size:
        return None
    best = int(rows[np.argmax(value[fastest[0][rows]] + value[fastest[1][rows]])])
    out, back = int(fastest[0][best]), int(fastest[1][best])
    mean = two_way_mean(float(value[out]), float(value[back]), float(u[out]), float(u[back]))
    return [out, back], mean


def _record(season: Season, gate: str, what: str, kernel: str, speed: Measured, pair: list[int]) -> Record:
    passes, row = season.passes, int(season.passes.session[pair[0]])
    revisions = {revision.pk: revision for revision in season.revisions}
    conditions: list[tuple[str, float | str]] = []
    for name, kind in (("air_temperature_c", "temperature"), ("wind_speed_mps", "speed")):
        if not np.isnan(season.numbers[name][row]):
            conditions.append((kind, float(season.numbers[name][row])))
    if season.surface[row]:
        conditions.append(("", dict(Session.Surface.choices)[season.surface[row]].lower()))
    labels = dict(Pass.Method.choices)
    numbers = " and ".join(f"pass {passes.number[index]}" for index in pair)
    methods = " and ".join(dict.fromkeys(labels[str(passes.method[index])].lower() for index in pair))
    return Record(
        season.passes.gates[gate].name,
        season.passes.gates[gate].length_m,
        what,
        kernel,
        speed,
        revisions[season.revision[row]],
        season.key(row),
        season.started_at[row],
        conditions,
        f"{numbers}, timed by {methods}; {_out_of(season, gate, pair[0])}",
    )


def _out_of(season: Season, gate: str, index: int) -> str:
    """Out of how many passes a record is the best: of its revision at the gate, and of all there."""
    here = np.array([of == gate for of in season.passes.gate])
    revision = _revision_of_passes(season)
    own = int((here & (revision == revision[index])).sum())
    return f"of {own} with this revision, {int(here.sum())} in all"


def _revision_of_passes(season: Season) -> np.ndarray:
    """For each pass the place of its revision among the season's."""
    place = {revision.pk: index for index, revision in enumerate(season.revisions)}
    revisions: np.ndarray = np.array([place[key] for key in season.revision], dtype=np.intp)[season.passes.session]
    return revisions


@dataclass(frozen=True)
class GateRow:
    """The passes of one revision through one gate. expected_mps: the fastest to expect of `equal` of them."""

    gate: str
    revision: Revision
    passes: int
    fastest_mps: float
    equal: int
    expected_mps: float | None


def equal_numbers(season: Season) -> list[GateRow]:
    """For gates that two revisions or more rode, the fastest to expect of equally many passes; the newest first."""
    speed = np.atleast_1d(np.asarray(season.passes.speed.value, dtype=np.float64))
    revisions, gates = _revision_of_passes(season), np.array(season.passes.gate, dtype=object)
    speeds: dict[str, dict[int, Any]] = {}
    for gate in sorted(set(gates)):
        here = gates == gate
        own, ridden = speed[here], revisions[here]
        speeds[gate] = {int(revision): own[ridden == revision] for revision in np.unique(ridden)}
    rows = []
    for gate, by_revision in sorted(speeds.items(), key=lambda row: season.passes.gates[row[0]].name):
        if len(by_revision) < 2:
            continue
        equal = min((len(row) for row in by_revision.values() if len(row) >= LEAST_PASSES), default=0)
        for revision in sorted(by_revision, reverse=True)[:MOST_REVISIONS]:
            own = by_revision[revision]
            expected = float(expected_maximum(own, equal)) if equal and own.size >= equal else None
            rows.append(
                GateRow(
                    season.passes.gates[gate].name,
                    season.revisions[revision],
                    own.size,
                    float(own.max()),
                    equal,
                    expected,
                )
            )
    return rows
