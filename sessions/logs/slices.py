"""A slice of a log as CSV, and two passes of a session laid over each other by distance."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from calc.kinds import KINDS
from calc.pass_overlay import ride_over_distance
from sessions.logs.channels import is_in, row_values
from sessions.logs.columns import StoredColumns
from sessions.logs.formula_lines import lines_over
from sessions.logs.meanings import OTHER, label_of, meaning_of
from sessions.logs.models import FormulaChannel, Log
from sessions.logs.timeline import Series, Timeline
from sessions.outings.models import Pass

OVERLAY_POINTS = 200


def slice_as_csv(
    log: Log, columns: StoredColumns, from_s: float, to_s: float, formulas: Iterable[FormulaChannel] = ()
) -> Iterator[str]:
    """Every measured row of a log between two moments of its session, in stored units, with what the machine's formulas
    make of it, in theirs; a piece of text at a time. The columns are closed at the end.
    """
    names = [name for name in columns if name != "time_s"]
    named = log.summary.get("named", {})
    timed = ["time_s"] if "time_s" in columns else []
    worked_out = [(formula, channel) for formula, _, channel in lines_over(formulas, [log]) if is_in(channel, columns)]
    header = [
        *(["time into the session [s]"] if timed else []),
        *(_header(label_of(name, named), _unit(name, named)) for name in names),
        *(_header(formula.name, formula.unit) for formula, _ in worked_out),
    ]
    begins_s = log.begins_s
    # They are open as long as the answer is sent.
    with columns:
        yield ",".join(f'"{title}"' if "," in title or '"' in title else title for title in header) + "\r\n"
        # A rate rests on rows beside its own, which may lie in another block.
        whole = {channel.name: row_values(channel, columns) for _, channel in worked_out if channel.needs_neighbours}
        before = 0
        for block in columns.blocks([*timed, *names]):
            rows = np.arange(block[names[0]].size)
            first, before = before, before + rows.size
            if timed:
                at_s = (block["time_s"] + begins_s).round(6)
                rows = np.flatnonzero((at_s >= from_s) & (at_s <= to_s))
            if not rows.size:
                continue
            listed = [at_s[rows].tolist()] if timed else []
            listed += [block[name][rows].tolist() for name in names]
            for _, channel in worked_out:
                values = whole[channel.name][first:] if channel.name in whole else row_values(channel, block)
                listed.append(values[rows].tolist())
            yield "".join(
                ",".join("" if math.isnan(value) else f"{value:.12g}" for value in row) + "\r\n"
                for row in zip(*listed, strict=True)
            )


def _unit(name: str, named: dict[str, list[str]]) -> str:
    """Of a stored column; empty where it has none."""
    if name in named:
        return named[name][1]
    meaning = meaning_of(name)
    unit = "" if meaning is None or meaning.column == OTHER else KINDS[meaning.kind].stored
    return "" if unit == "dimensionless" else unit


def _header(label: str, unit: str) -> str:
    label = label.replace('"', "'")
    # A spreadsheet must not take a name that somebody chose for a formula.
    label = f"'{label}" if label[:1] in ("=", "+", "-", "@") else label
    return f"{label} [{unit}]" if unit else label


@dataclass(frozen=True)
class Overlay:
    """Two passes over the distance from the first mark they came to: speeds [m/s], and how far the second is behind."""

    first: Pass
    second: Pass
    distance_m: Any
    speeds_mps: tuple[Any, Any]
    behind_s: Any


class CannotOverlay(ValueError):
    """Two passes that cannot be laid over each other; the message says why."""


def comparable_passes(timeline: Timeline) -> list[Pass]:
    """The passes that lie within the time that a speed was logged."""
    speed = timeline.ground_speed() or timeline.wheel_speed()
    if speed is None:
        return []
    first_s, last_s = float(speed.time_s[0]), float(speed.time_s[-1])
    return [
        run
        for run in timeline.session.passes.all()
        if run.time_into_session_s is not None
        and first_s <= run.time_into_session_s
        and run.time_into_session_s + run.duration_s <= last_s
    ]


def overlay_of(timeline: Timeline, first: Pass, second: Pass) -> Overlay:
    """Raises CannotOverlay with a sentence."""
    if first.gate_id != second.gate_id or first.direction != second.direction:
        raise CannotOverlay("Only passes through one gate in one direction can be laid over each other.")
    marks = [mark.position_m for mark in first.gate.marks.all()]
    speed = timeline.ground_speed() or timeline.wheel_speed()
    if speed is None or len(marks) < 2:
        raise CannotOverlay("That takes a logged speed, and a gate with a length.")
    length_m = max(marks) - min(marks)
    distances = np.linspace(0.0, length_m, OVERLAY_POINTS)
    rides = []
    for run in (first, second):
        try:
            rides.append(ride_over_distance(*_of_pass(speed, run), length_m, distances))
        except ValueError as error:
            raise CannotOverlay(f"Pass {run.number} cannot be compared: {error}.") from None
    return Overlay(
        first, second, distances, (rides[0].speed_mps, rides[1].speed_mps), rides[1].time_s - rides[0].time_s
    )


def _of_pass(speed: Series, run: Pass) -> tuple[Any, Any]:
    """Times since the first mark and speeds, with the ends drawn straight between samples."""
    begins_s = run.time_into_session_s or 0.0
    ends_s = begins_s + run.duration_s
    inside = (speed.time_s > begins_s) & (speed.time_s < ends_s)
    times = np.concatenate([[begins_s], speed.time_s[inside], [ends_s]])
    values = np.abs(np.interp(times, speed.time_s, speed.values))
    return times - begins_s, values
