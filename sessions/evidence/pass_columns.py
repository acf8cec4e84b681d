"""Timed passes of many sessions in columns, with their speeds."""

from __future__ import annotations

import uuid
from collections.abc import Collection, Mapping
from copy import copy
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from django.db.models import CharField, Func, IntegerField, QuerySet, Value
from django.db.models.functions import Cast

from buildlog.storage.columns import as_text, column_blocks, floats
from calc.declaration import Measured
from calc.session_table import Split
from calc.speed import gate_speed
from sessions.evidence.timing import duration_u_s
from sessions.outings.models import GateMark, Pass

_STATED = ("frames_per_s", "u_duration_s", "time_into_session_s")
_NUMBERS = ("sequence", "duration_s", *_STATED)
_OTHERS = ("session_text", "pass_text", "number", "way")


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
        read = _read(self._passes, row)
        self.gates = gates_by_text(set(read.gates))
        place = {text: index for index, text in enumerate(self.gates)}
        gate = np.array([place.get(text, -1) for text in read.gates], dtype=np.intp)[read.gate]
        numbers = read.numbers
        # The order of `Pass.Meta.ordering`: what is not known is sorted last.
        order = np.lexsort((read.number.astype(np.float64), numbers["sequence"], read.session))
        # A gate that lost its marks in the admin site has no length, and its passes no speed.
        order = order[gate[order] >= 0]
        self.session, self.gate_number = read.session[order], gate[order]
        self.number, self.text = read.number[order], read.text[order]
        self.valid, self.is_out, self.method = read.valid[order], read.is_out[order], read.method[order]
        self.stated = {name: numbers[name][order] for name in _STATED}
        """What people and phones stated of the timing, NaN where they did not."""
        gates = list(self.gates.values())
        length_m = floats([column.length_m for column in gates])[self.gate_number]
        duration_s = numbers["duration_s"][order]
        self.columns = {
            "distance_m": length_m,
            "duration_s": duration_s,
            "u_distance_m": floats([column.u_distance_m for column in gates])[self.gate_number],
            "u_duration_s": duration_u_s(
                self.method,
                self.stated["frames_per_s"],
                self.stated["u_duration_s"],
                np.asarray(u_press_s)[self.session],
                duration_s,
                length_m,
            ),
        }

    @property
    def gate(self) -> Any:
        """The key of each pass's gate, as text."""
        return np.array([*self.gates, None], dtype=object)[self.gate_number]

    def only(self, chosen: Any) -> PassColumns:
        """The passes that a mask chooses."""
        places = np.flatnonzero(chosen)
        part = copy(self)
        part.__dict__.pop("speed", None)
        part.__dict__.pop("splits", None)
        for name in ("session", "gate_number", "number", "text", "valid", "is_out", "method"):
            setattr(part, name, getattr(self, name)[places])
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
            gate = list(self.gates.values())[self.gate_number[index]]
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


class _Read(NamedTuple):
    """Passes as the database has them. gate: the place of each pass's gate in `gates`."""

    gates: list[str]
    gate: Any
    session: Any
    text: Any
    number: Any
    valid: Any
    is_out: Any
    method: Any
    numbers: dict[str, Any]


def _read(passes: QuerySet[Pass], row: Mapping[str, int]) -> _Read:
    texts = passes.annotate(session_text=as_text("session_id"), pass_text=as_text("id"), way=_way())
    ways: dict[str, int] = {}
    blocks = []
    for sessions, keys, number, of_ways, *numbers in column_blocks(texts, (*_OTHERS, *_NUMBERS)):
        way = [ways.setdefault(text, len(ways)) for text in of_ways]
        blocks.append(
            (
                np.array(way, dtype=np.intp),
                np.array([row.get(text, -1) for text in sessions], dtype=np.intp),
                np.array(keys, dtype=object),
                np.array(number, dtype=object),
                *map(floats, numbers),
            )
        )
    if not blocks:
        places, words, flags = np.empty(0, np.intp), np.empty(0, object), np.empty(0, bool)
        numbers_read = dict.fromkeys(_NUMBERS, np.empty(0))
        return _Read([], places, places, words, words, flags, flags, np.empty(0, "U10"), numbers_read)
    way_of, session, text, number_of, *rest = (np.concatenate(column) for column in zip(*blocks, strict=True))
    numbers_read = dict(zip(_NUMBERS, rest, strict=True))
    of_gates, directions, methods, counts = zip(*(text.split("|") for text in ways), strict=True)
    gates = {text: place for place, text in enumerate(dict.fromkeys(of_gates))}
    gate = np.array([gates[text] for text in of_gates], dtype=np.intp)
    valid = np.array([flag == "1" for flag in counts], dtype=bool)
    is_out = np.array([direction == Pass.Direction.OUT.value for direction in directions], dtype=bool)
    method = np.array(methods, dtype="U10")
    return _Read(
        list(gates), gate[way_of], session, text, number_of, valid[way_of], is_out[way_of], method[way_of], numbers_read
    )


def _way() -> Func:
    """Gate, direction, method and whether it counts, in one text: few differ, and the database writes each value of a
    row by itself."""
    bar = Value("|")
    counts = Cast(Cast("valid", IntegerField()), CharField())
    parts = (as_text("gate_id"), bar, "direction", bar, "method", bar, counts)
    return Func(*parts, template="(%(expressions)s)", arg_joiner=" || ", output_field=CharField())


def gates_by_text(texts: set[str]) -> dict[str, GateColumn]:
    """Gates with a length, by their keys as text."""
    text_of = {uuid.UUID(text): text for text in texts}
    return {text_of[key]: gate for key, gate in gates_by_key(text_of).items()}


def gates_by_key(keys: Collection[uuid.UUID]) -> dict[uuid.UUID, GateColumn]:
    """Gates with a length."""
    names: dict[uuid.UUID, tuple[str, float]] = {}
    places: dict[uuid.UUID, list[float]] = {}
    marks = GateMark.objects.filter(gate__in=keys)
    for key, name, u_m, position_m in marks.values_list("gate", "gate__name", "gate__u_distance_m", "position_m"):
        names[key] = name, u_m
        places.setdefault(key, []).append(position_m)
    return {
        key: GateColumn(names[key][0], max(positions) - min(positions), names[key][1], tuple(sorted(positions)))
        for key, positions in places.items()
        if max(positions) > min(positions)
    }
