"""Single tables as CSV, for people and their spreadsheets; the interface has every value with all its digits."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from buildlog.failures.loop import States
from buildlog.failures.models import Failure
from buildlog.machines.models import Vehicle
from buildlog.records.csv_tables import as_csv
from calc.declaration import Measured
from calc.digits import rounded, without_noise
from sessions.evidence.doubts import doubts_of_machine
from sessions.evidence.left_out import LeftOut
from sessions.evidence.season import Season
from sessions.trials.compared_revisions import MEASURES


def _typed(values: Any) -> list[float]:
    """Stored numbers as they were typed, without what came of changing units."""
    return [value if math.isnan(value) else float(without_noise(value)) for value in map(float, values)]


def _with_u(name: str, measured: Measured) -> dict[str, list[float]]:
    """A result to the place of its uncertainty, and the uncertainty itself in two digits."""
    value = np.atleast_1d(np.asarray(measured.value, dtype=np.float64))
    u = np.full(value.size, np.nan) if measured.u is None else np.atleast_1d(np.asarray(measured.u, dtype=np.float64))
    pairs = list(zip(value.tolist(), u.tolist(), strict=True))
    return {
        name: [number if math.isnan(number) else rounded(number, spread) for number, spread in pairs],
        f"u_{name}": [spread if math.isnan(spread) else rounded(spread, spread / 2.0) for _, spread in pairs],
    }


def sessions_table(vehicle: Vehicle) -> str:
    """One row for each session: its conditions, every result that the season page draws, and what is in doubt."""
    season = Season(vehicle)
    doubted = LeftOut(doubts_of_machine(vehicle)).facts_of_sessions(season.text)
    labels = {revision.pk: revision.label for revision in season.revisions}
    columns = {name: _typed(column) for name, column in season.numbers.items()}
    for measure in MEASURES:
        columns |= _with_u(measure.key, season.reports.measured(measure.key))
    names = ["session", "start", "revision", "venue", "surface", *columns, "in_doubt"]
    rows = (
        [
            season.key(row),
            season.started_at[row].isoformat(),
            labels[season.revision[row]],
            season.venue_name[row],
            season.surface[row],
            *(column[row] for column in columns.values()),
            " ".join(name for name, mask in doubted.items() if mask[row]),
        ]
        for row in range(season.count)
    )
    return as_csv(names, rows)


def passes_table(vehicle: Vehicle) -> str:
    """One row for each pass that counts, with its speed and standard uncertainty in m/s, and whether it is in doubt."""
    season = Season(vehicle)
    labels = {revision.pk: revision.label for revision in season.revisions}
    passes = season.passes
    doubted = LeftOut(doubts_of_machine(vehicle)).passes(passes.text)
    speeds = _with_u("speed_mps", passes.speed)
    names = ["session", "start", "revision", "gate", "number", "direction", "method", *speeds, "in_doubt"]
    rows = (
        [
            season.key(row),
            season.started_at[row].isoformat(),
            labels[season.revision[row]],
            passes.gates[passes.gate[index]].name,
            passes.number[index],
            "out" if passes.is_out[index] else "back",
            str(passes.method[index]),
            *(column[index] for column in speeds.values()),
            "duration_s" if doubted[index] else "",
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
