"""Single tables as CSV, for other programs."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np

from buildlog.failures.loop import States
from buildlog.failures.models import Failure
from buildlog.machines.models import Vehicle
from sessions.evidence.season import Season
from sessions.trials.compared_revisions import MEASURES

STARTS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def cell(value: Any) -> Any:
    """A value for a spreadsheet's cell: text cannot start a formula, numbers stay numbers."""
    if value is None or (isinstance(value, float) and value != value):
        return ""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        text = json.dumps(value, ensure_ascii=False, default=str) if isinstance(value, (list, dict)) else str(value)
        return f"'{text}" if text.startswith(STARTS_A_FORMULA) else text
    return value


def as_csv(names: Sequence[str], rows: Iterable[Iterable[Any]]) -> str:
    """Comma-separated values with a header: RFC 4180, UTF-8, decimal points."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow(names)
    writer.writerows([cell(value) for value in row] for row in rows)
    return buffer.getvalue()


def sessions_table(vehicle: Vehicle) -> str:
    """One row for each session: its conditions, and every result that the season page draws."""
    season = Season(vehicle)
    labels = {revision.pk: revision.label for revision in season.revisions}
    results = {measure.key: season.values(measure.key) for measure in MEASURES}
    names = ["session", "start", "revision", "venue", "surface", *season.numbers, *results]
    rows = (
        [
            season.key(row),
            season.started_at[row].isoformat(),
            labels[season.revision[row]],
            season.venue_name[row],
            season.surface[row],
            *(float(column[row]) for column in season.numbers.values()),
            *(float(column[row]) for column in results.values()),
        ]
        for row in range(season.count)
    )
    return as_csv(names, rows)


def passes_table(vehicle: Vehicle) -> str:
    """One row for each pass that counts, with its speed and standard uncertainty in m/s."""
    season = Season(vehicle)
    labels = {revision.pk: revision.label for revision in season.revisions}
    passes = season.passes
    names = ["session", "start", "revision", "gate", "number", "direction", "method", "speed_mps", "u_speed_mps"]
    rows = (
        [
            season.key(row),
            season.started_at[row].isoformat(),
            labels[season.revision[row]],
            passes.gates[passes.gate[index]].name,
            passes.number[index],
            "out" if passes.is_out[index] else "back",
            str(passes.method[index]),
            float(np.atleast_1d(passes.speed.value)[index]),
            float(np.atleast_1d(passes.speed.u)[index]),
        ]
        for index, row in enumerate(passes.session)
    )
    return as_csv(names, rows)


def failures_table(vehicle: Vehicle) -> str:
    rows_read = Failure.objects.filter(revision__vehicle=vehicle).select_related("mode", "part", "cause", "revision")
    failures = list(rows_read.order_by("happened_at", "pk"))
    States([vehicle]).note_on(failures)
    names = ["failure", "when", "revision", "mode", "severity", "effect", "part", "state", "cause", "conditions"]
    rows = (
        [
            failure.pk,
            failure.happened_at.isoformat(),
            failure.revision.label,
            failure.mode.name,
            failure.severity,
            failure.effect,
            failure.part.name if failure.part else "",
            failure.state,
            failure.cause.statement if failure.cause else "",
            failure.conditions,
        ]
        for failure in failures
    )
    return as_csv(names, rows)


TABLES: dict[str, tuple[str, Callable[[Vehicle], str]]] = {
    "sessions": ("Sessions, with conditions and results", sessions_table),
    "passes": ("Passes that count, with speed and its standard uncertainty", passes_table),
    "failures": ("Failures, with mode, part, state and cause", failures_table),
}
