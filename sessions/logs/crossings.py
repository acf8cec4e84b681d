"""Where a track went through the venue's gates: passes, to be accepted or refused by a person."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import numpy as np

from calc.geodesy import gate_crossings_s, local_metres
from sessions.logs.models import Log
from sessions.logs.series import positions
from sessions.outings.models import Gate, Pass

HALF_WIDTH_M = 25.0
"""How far to each side of a mark its line reaches (common practice, no source)."""

SAME_PASS_S = 2.0
DAY = timedelta(hours=24)
EARLY = timedelta(minutes=30)


@dataclass(frozen=True)
class Proposal:
    """A ride through all marks of a gate, one after the other."""

    gate: Gate
    direction: str
    time_into_session_s: float
    duration_s: float
    split_times_s: list[float]
    is_stored: bool

    @property
    def key(self) -> str:
        return f"{self.gate.pk}/{self.time_into_session_s:.2f}"


def proposals_of(log: Log, columns: Mapping[str, Any]) -> list[Proposal]:
    """Every ride through a gate whose marks have coordinates, in order of time.

    A track of another day offers none: its rides were no part of this session.
    """
    track = positions(columns)
    if track is None or "time_s" not in track or not is_of_its_session(log):
        return []
    if log.first_at is None and log.clock == Log.Clock.OWN:
        # Its place in the session is not known yet.
        return []
    if track["time_s"].size < 2:
        return []
    stored = [
        (run.gate_id, run.time_into_session_s)
        for run in log.session.passes.filter(method=Pass.Method.SATELLITE)
        if run.time_into_session_s is not None
    ]
    proposals = []
    for gate in log.session.venue.gates.filter(method=Gate.Method.COORDINATES).prefetch_related("marks"):
        marks = list(gate.marks.all())
        if len(marks) < 2 or any(mark.latitude_deg is None for mark in marks):
            continue
        for direction, times in _rides(track, marks):
            began_s = times[0] + log.begins_s
            if began_s < 0:
                # Before the start: a ride to the gate, or a wrong clock, and not a pass of this session.
                continue
            same = any(key == gate.pk and abs(time_s - began_s) < SAME_PASS_S for key, time_s in stored)
            splits = [float(mark_s - times[0]) for mark_s in times[1:-1]]
            proposals.append(Proposal(gate, direction, began_s, float(times[-1] - times[0]), splits, same))
    return sorted(proposals, key=lambda proposal: proposal.time_into_session_s)


def is_of_its_session(log: Log) -> bool:
    """Whether it was recorded within a day of the session's start; half an hour before it still counts."""
    if log.first_at is None and log.clock == Log.Clock.OWN:
        return True
    return -EARLY <= timedelta(seconds=log.begins_s) <= DAY


def _rides(track: dict[str, Any], marks: list[Any]) -> list[tuple[str, list[float]]]:
    """Crossings of all marks in a row, out or back."""
    lines = _lines(marks)
    events: list[tuple[float, int]] = []
    for index, (latitudes, longitudes) in enumerate(lines):
        crossed = gate_crossings_s(track["time_s"], track["lat_deg"], track["lon_deg"], latitudes, longitudes)
        events += [(float(time_s), index) for time_s in crossed.crossing_s]
    events.sort()
    rides = []
    count = len(marks)
    for start in range(len(events) - count + 1):
        run = events[start : start + count]
        order = [index for _, index in run]
        times = [time_s for time_s, _ in run]
        if order == list(range(count)):
            rides.append((Pass.Direction.OUT.value, times))
        elif order == list(range(count))[::-1]:
            rides.append((Pass.Direction.BACK.value, times))
    return rides


def _lines(marks: list[Any]) -> list[tuple[Any, Any]]:
    """A line across the gate at each mark, from left to right of the way out."""
    latitudes = np.array([mark.latitude_deg for mark in marks])
    longitudes = np.array([mark.longitude_deg for mark in marks])
    # Metres of a thousandth of a degree here, to lay out a few metres in degrees.
    middle = float(latitudes.mean())
    scale = local_metres([middle, middle + 0.001], [longitudes[0], longitudes[0] + 0.001])
    per_east, per_north = float(scale.east_m[1]) / 0.001, float(scale.north_m[1]) / 0.001
    way = np.array([(longitudes[-1] - longitudes[0]) * per_east, (latitudes[-1] - latitudes[0]) * per_north])
    across = HALF_WIDTH_M * np.array([-way[1], way[0]]) / np.hypot(*way)
    return [
        (
            np.array([latitude + across[1] / per_north, latitude - across[1] / per_north]),
            np.array([longitude + across[0] / per_east, longitude - across[0] / per_east]),
        )
        for latitude, longitude in zip(latitudes, longitudes, strict=True)
    ]


def accept(log: Log, chosen: list[Proposal]) -> int:
    """Store the chosen rides as passes; a ride that is stored as a pass already is skipped."""
    count = 0
    for proposal in chosen:
        if proposal.is_stored:
            continue
        Pass.objects.create(
            pk=uuid.uuid4(),
            session=log.session,
            gate=proposal.gate,
            direction=proposal.direction,
            method=Pass.Method.SATELLITE,
            duration_s=proposal.duration_s,
            split_times_s=proposal.split_times_s,
            time_into_session_s=proposal.time_into_session_s,
        )
        count += 1
    return count
