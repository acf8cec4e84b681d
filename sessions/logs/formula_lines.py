"""A machine's formulas as lines over its logs."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable, Iterator
from threading import Lock
from typing import Any, cast

import numpy as np

from calc.formulas import TIME, Formula, NotAFormula, unit_of
from calc.units import quantity_in
from sessions.logs.channels import Channel, Columns
from sessions.logs.columns import StoredColumns
from sessions.logs.extremes import Extremes
from sessions.logs.formula_variables import NAMES, quantity, read
from sessions.logs.models import FormulaChannel, Log


def channel_of(stored: FormulaChannel, log: Log) -> Channel | None:
    """The line that a formula makes of a log; None where the log lacks what it is worked out from, or where units of
    the file's own columns do not fit."""
    try:
        formula = read(stored.formula)
        own = _own_columns(formula, log)
        if own is None:
            return None
        needs = (*(NAMES[name] for name in formula.names if name != TIME), *(column for column, _ in own.values()))
        channel = Channel(
            f"{FORMULA}{stored.formula}:{stored.unit}",
            needs,
            lambda known: _worked_out(formula, stored.unit, own, known),
            needs_neighbours=formula.needs_neighbours,
        )
        # Two rows of ones say whether it can be worked out at all.
        channel.of(dict.fromkeys(needs, np.ones(2)) | {"time_s": np.array([0.0, 1.0])})
    except NotAFormula:
        return None
    return channel


def _own_columns(formula: Formula, log: Log) -> dict[str, tuple[str, Any]] | None:
    """For each name in quotation marks the stored column, and its unit; None where the log has no such column."""
    named = {label.casefold(): (column, unit) for column, (label, unit) in log.summary.get("named", {}).items()}
    own = {}
    for name in formula.quoted:
        if name.casefold() not in named:
            return None
        column, unit = named[name.casefold()]
        try:
            own[name] = (column, unit_of(unit))
        except NotAFormula:
            own[name] = (column, unit_of(""))
    return own


def _worked_out(formula: Formula, unit: str, own: dict[str, tuple[str, Any]], known: Columns) -> Any:
    values = {name: quantity(name, known[NAMES[name]]) for name in formula.names}
    values |= {name: quantity_in(known[column], of_file) for name, (column, of_file) in own.items()}
    values[TIME] = quantity(TIME, known["time_s"])
    result = formula.in_unit(values, unit)
    return np.broadcast_to(result, known["time_s"].shape).copy()


FORMULA = "formula:"
"""What the names of their channels begin with."""
MOST_KEPT = 32
_kept: OrderedDict[tuple[str, str], Any] = OrderedDict()
_lock = Lock()


def extremes_of(log: Log, channel: Channel, columns: StoredColumns) -> tuple[Any, list[list[float]]] | None:
    """The extremes of a formula over a long log, as those that were made ready on import, and its first and last
    sample. They are worked out when they are first looked at, and kept: a few hundred kilobytes each, of which those go
    that were not looked at for longest."""
    # A log that is read again has a file of another name.
    key = (str(log.columns.name), channel.name)
    with _lock:
        if key in _kept:
            _kept.move_to_end(key)
            return cast("tuple[Any, list[list[float]]] | None", _kept[key])
    gathered = Extremes(channel)
    for block in columns.blocks(["time_s", *channel.needs]):
        gathered.add(block)
    rows, noted = gathered.finished()
    extremes = (rows, noted["ends"]) if noted["count"] else None
    with _lock:
        _kept[key] = extremes
        while len(_kept) > MOST_KEPT:
            _kept.popitem(last=False)
    return extremes


def lines_over(
    formulas: Iterable[FormulaChannel], logs: Iterable[Log]
) -> Iterator[tuple[FormulaChannel, Log, Channel]]:
    """Each formula over each log that has what it is worked out from."""
    listed = list(logs)
    for formula in formulas:
        for log in listed:
            if (channel := channel_of(formula, log)) is not None:
                yield formula, log, channel
