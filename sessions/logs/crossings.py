"""Where a track went through the venue's gates: passes, to be accepted or refused by a person."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import numpy as np

from calc.crossings import GAP, MOST_RELATIVE_U, PATH, START, STOP, GatePass, gate_passes
from calc.geodesy import local_metres
from sessions.logs.models import Log
from sessions.logs.series import positions
from sessions.outings.models import Gate, Pass
from sessions.outings.models.outings import STANDING_START

U_MARK_M = 3.0
"""Marks are placed by a phone's fix, or on a map (common practice, no source)."""
IMPRECISE = "imprecise"
DOUBTS = {
    GAP: "no position for more than 3 s near it",
    PATH: "ridden farther, or less far, than the gate is long",
    STOP: "nearly stood still within it",
    START: "from rest on its first mark: a standing start, which counts for no speed, with its time from the first "
    "movement as the receiver shows it",
    IMPRECISE: f"its speed is known to {100 * MOST_RELATIVE_U:.0f} % at best",
}
"""Why such a pass does not count: its time is none of a flying pass."""
BY_POSITIONS = (
    "from rest near its first mark: a standing start, which counts for no speed; without the receiver's speed nobody "
    "knows when it began"
)

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
    u_duration_s: float
    split_times_s: list[float]
    is_stored: bool
    doubts: tuple[str, ...] = ()
    """Why it may be no pass, in words; such a ride is offered, and not ticked."""
    is_standing: bool = False
    """Whether it is a standing start: kept with its time, and left out of every speed."""

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
        for ride in _rides(track, columns, marks):
            began_s = ride.mark_s[0] + log.begins_s
            if began_s < 0:
                # Before the start: a ride to the gate, or a wrong clock, and not a pass of this session.
                continue
            same = any(key == gate.pk and abs(time_s - began_s) < SAME_PASS_S for key, time_s in stored)
            splits = [float(mark_s - ride.mark_s[0]) for mark_s in ride.mark_s[1:-1]]
            direction = Pass.Direction.OUT if ride.is_out else Pass.Direction.BACK
            doubts = [DOUBTS[doubt] for doubt in ride.doubts if doubt != START]
            if ride.is_standing:
                doubts.append(DOUBTS[START] if ride.uses_speed else BY_POSITIONS)
            elif ride.u_duration_s > MOST_RELATIVE_U * ride.duration_s:
                doubts.append(DOUBTS[IMPRECISE])
            proposals.append(
                Proposal(
                    gate,
                    direction.value,
                    began_s,
                    ride.duration_s,
                    ride.u_duration_s,
                    splits,
                    same,
                    tuple(doubts),
                    ride.is_standing,
                )
            )
    return sorted(proposals, key=lambda proposal: proposal.time_into_session_s)


def is_of_its_session(log: Log) -> bool:
    """Whether it was recorded within a day of the session's start; half an hour before it still counts."""
    if log.first_at is None and log.clock == Log.Clock.OWN:
        return True
    return -EARLY <= timedelta(seconds=log.begins_s) <= DAY


def _rides(track: dict[str, Any], columns: Mapping[str, Any], marks: list[Any]) -> list[GatePass]:
    """Rides through a gate, by the same calculation as on the phone."""
    times, latitudes, longitudes = track["time_s"], track["lat_deg"], track["lon_deg"]
    placed = local_metres(
        np.append(latitudes, [mark.latitude_deg for mark in (marks[0], marks[-1])]),
        np.append(longitudes, [mark.longitude_deg for mark in (marks[0], marks[-1])]),
    )
    distances = np.array([mark.position_m for mark in marks])
    return gate_passes(
        times,
        placed.east_m[:-2],
        placed.north_m[:-2],
        placed.east_m[-2:],
        placed.north_m[-2:],
        distances - distances[0],
        speed_mps=_own_speed(columns),
        u_mark_m=U_MARK_M,
    )


def _own_speed(columns: Mapping[str, Any]) -> Any:
    """The receiver's own speed where there is a position; None where the file has none."""
    if "speed_mps" not in columns:
        return None
    good = ~(np.isnan(columns["lat_deg"]) | np.isnan(columns["lon_deg"]))
    return columns["speed_mps"][good]


def accept(log: Log, chosen: list[Proposal]) -> int:
    """Store the chosen rides as passes; a ride that is stored as a pass already is skipped.

    A standing start is stored as a pass that does not count, which says why.
    """
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
            u_duration_s=proposal.u_duration_s,
            split_times_s=proposal.split_times_s,
            time_into_session_s=proposal.time_into_session_s,
            start=Pass.Start.STANDING if proposal.is_standing else "",
            valid=not proposal.is_standing,
            invalid_reason=STANDING_START if proposal.is_standing else "",
        )
        count += 1
    return count
