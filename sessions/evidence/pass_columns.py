"""Timed passes of many sessions in columns, with their speeds."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from copy import copy
from dataclasses import dataclass
from functools import cached_property
from itertools import repeat
from typing import Any

import numpy as np
from django.db.models import QuerySet

from buildlog.storage.columns import as_text
from calc.declaration import Measured
from calc.session_table import Split
from calc.speed import gate_speed
from sessions.evidence.timing import duration_u_s
from sessions.outings.models import GateMark, Pass

_COLUMNS = (
    "session_text",
    "number",
    "gate_text",
    "direction",
    "method",
    "duration_s",
    "frames_per_s",
    "u_duration_s",
    "sequence",
    "pass_text",
    "valid",
    "time_into_session_s",
)


@dataclass(frozen=True)
class GateColumn:
    name: str
    length_m: float
    u_distance_m: float
    positions_m: tuple[float, ...]


class PassColumns:
    """Passes as parallel columns, ordered by their session and within it by taps.

    Parameters
    ----------
    passes: which ones.
    row: the place of each session, by its key as text.
    u_press_s: standard uncertainty of a stopwatch press in each session [s].
    """

    def __init__(self, passes: QuerySet[Pass], row: Mapping[str, int], u_press_s: Any) -> None:
        self._passes = passes.order_by()
        texts = self._passes.annotate(
            session_text=as_text("session_id"), gate_text=as_text("gate_id"), pass_text=as_text("id")
        )
        tuples = list(texts.values_list(*_COLUMNS))
        self.gates = gates_by_text({values[2] for values in tuples})
        # A gate that lost its marks in the admin site has no length, and its passes no speed.
        tuples = [values for values in tuples if values[2] in self.gates]
        # The order of `Pass.Meta.ordering`.
        tuples.sort(key=lambda values: (row[values[0]], values[8] is None, values[8] or 0, values[1]))
        owners, numbers, gates, ways, methods, durations, rates, stated_u_s, _, keys, valid, times_s = (
            zip(*tuples, strict=True) if tuples else repeat((), len(_COLUMNS))
        )
        self.session = np.array([row[text] for text in owners], dtype=np.intp)
        self.number: Sequence[int] = numbers
        self.gate: Sequence[str] = gates
        place = {text: number for number, text in enumerate(self.gates)}
        self.gate_number = np.array([place[text] for text in gates], dtype=np.intp)
        self.text: Sequence[str] = keys
        self.valid = np.array(valid, dtype=bool)
        self.is_out = np.array([way == Pass.Direction.OUT for way in ways], dtype=bool)
        self.method = np.array(methods, dtype="U10")
        self.stated = {
            "frames_per_s": np.array(rates, dtype=np.float64),
            "u_duration_s": np.array(stated_u_s, dtype=np.float64),
            "time_into_session_s": np.array(times_s, dtype=np.float64),
        }
        """What people and phones stated of the timing, NaN where they did not."""
        self.columns = {
            "distance_m": np.array([self.gates[text].length_m for text in gates], dtype=np.float64),
            "duration_s": np.array(durations, dtype=np.float64),
            "u_distance_m": np.array([self.gates[text].u_distance_m for text in gates], dtype=np.float64),
            "u_duration_s": duration_u_s(
                self.method,
                self.stated["frames_per_s"],
                self.stated["u_duration_s"],
                np.asarray(u_press_s)[self.session],
            ),
        }

    def only(self, chosen: Any) -> PassColumns:
        """The passes that a mask chooses."""
        places = np.flatnonzero(chosen)
        part = copy(self)
        part.__dict__.pop("speed", None)
        part.__dict__.pop("splits", None)
        for name in ("session", "gate_number", "valid", "is_out", "method"):
            setattr(part, name, getattr(self, name)[places])
        for name in ("number", "gate", "text"):
            column = getattr(self, name)
            setattr(part, name, [column[place] for place in places])
        part.columns = {name: column[places] for name, column in self.columns.items()}
        part.stated = {name: column[places] for name, column in self.stated.items()}
        return part

    @cached_property
    def speed(self) -> Measured:
        """Gate speed of each pass [m/s]."""
        return gate_speed(**self.columns) if self.session.size else Measured(np.empty(0), np.empty(0))

    @cached_property
    def splits(self) -> list[Split]:
        """Passes timed at three marks or more; most have two, so only those of such gates are read again."""
        gates = [uuid.UUID(text) for text, gate in self.gates.items() if len(gate.positions_m) >= 3]
        if not gates:
            return []
        place = {text: index for index, text in enumerate(self.text)}
        splits = []
        timed = self._passes.filter(gate__in=gates).exclude(split_times_s=[])
        for text, times in timed.annotate(pass_text=as_text("id")).values_list("pass_text", "split_times_s"):
            index = place.get(text)
            if index is None:
                continue
            gate = self.gates[self.gate[index]]
            positions = gate.positions_m
            if len(positions) < 3 or len(times) != len(positions) - 2:
                continue
            if not self.is_out[index]:
                # Ridden the other way, the marks come in the other order.
                positions = tuple(positions[-1] - position for position in reversed(positions))
            clock_s = np.array([0.0, *times, self.columns["duration_s"][index]])
            u_s = float(self.columns["u_duration_s"][index]) / np.sqrt(2.0)
            splits.append(Split(int(self.session[index]), np.array(positions), clock_s, u_s, gate.u_distance_m))
        return splits


def gates_by_text(texts: set[str]) -> dict[str, GateColumn]:
    """Gates with a length, by their keys as text."""
    marks = GateMark.objects.filter(gate__in=[uuid.UUID(text) for text in texts]).annotate(gate_text=as_text("gate_id"))
    names: dict[str, tuple[str, float]] = {}
    places: dict[str, list[float]] = {}
    for text, name, u_m, position_m in marks.values_list("gate_text", "gate__name", "gate__u_distance_m", "position_m"):
        names[text] = name, u_m
        places.setdefault(text, []).append(position_m)
    return {
        text: GateColumn(names[text][0], max(positions) - min(positions), names[text][1], tuple(sorted(positions)))
        for text, positions in places.items()
        if max(positions) > min(positions)
    }
