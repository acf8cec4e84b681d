"""What a session's page says first: its few main numbers among the machine's earlier ones, and its nearest limits."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import hypot

import numpy as np
from django.utils import timezone

from calc.declaration import Measured
from calc.doubts.careful_results import CarefulReport
from calc.quantities import written, written_difference
from calc.results import Result
from calc.session_sheet import SessionReport
from sessions.drawing.pass_dots import PassDots, Run, pass_dots
from sessions.drawing.value_lines import ValueLine, value_line
from sessions.evidence.session_results import EarlierSessions, PassRow
from sessions.outings.models import Pass

NEAREST = 3
"""So many limits are bars; the others are listed with all results."""
ASKED_FIRST = (
    ("two_way_mean_speed", "average_gate_speed", "best_gate_speed", "average_speed"),
    ("energy_per_distance", "energy_used", "charge_used"),
    ("remaining_range", "range", "runtime_left"),
)
"""Of each row the first that could be worked out."""


@dataclass(frozen=True)
class Headline:
    """One of the main numbers: its figure, and ± and unit, which stand smaller behind it."""

    result: Result
    figure: str
    behind: str
    line: ValueLine | None
    earlier_count: int


@dataclass(frozen=True)
class LimitBar:
    """A limit, and how much of what it allows was used."""

    label: str
    result: Result
    kind: str
    """Of the limit itself, such as a temperature, where the margin is a difference."""
    share: float

    @property
    def width(self) -> float:
        return round(100.0 * min(1.0, self.share), 1)


def headlines(report: SessionReport | CarefulReport, earlier: EarlierSessions, system: str) -> list[Headline]:
    """Three numbers at most, each with this machine's earlier ones."""
    chosen = []
    for keys in ASKED_FIRST:
        result = next((result for key in keys if (result := report.get(key)) is not None), None)
        if result is not None and result.value is not None:
            values = earlier.recorded(result.key)
            figure, _, behind = written(result.value, result.kind, system, result.u, 3).partition(" ")
            line = value_line(result.value, result.u, values)
            chosen.append(Headline(result, figure, behind, line, len(values)))
    return chosen


def change_since(result: Result, earlier: EarlierSessions, system: str) -> str:
    """How a number differs from the machine's last one before it: beyond both uncertainties, or not to be told.

    Two rides of one build differ as well; whether a change helped, the comparison of revisions says.
    """
    rows = [int(row) for row in np.flatnonzero(~np.isnan(earlier.values(result.key)))] if earlier.count else []
    if not rows or result.value is None:
        return "the first number of its kind"
    row, evidence = rows[-1], earlier.evidence
    before = evidence.reports[row].get(result.key)
    if before is None or before.value is None:
        return "the first number of its kind"
    with_what = evidence.machines[evidence.revision[row]].revision.label
    on = f"{with_what} on {timezone.localtime(evidence.started_at[row]):%Y-%m-%d}"
    change = result.value - before.value
    expanded = 2.0 * hypot(result.u or 0.0, before.u or 0.0)
    if abs(change) <= expanded or change == 0.0:
        return f"within ± of {on}"
    return f"{written_difference(abs(change), result.kind, system, 2)} {'more' if change > 0 else 'less'} than {on}"


def limit_bars(results: Iterable[Result]) -> list[LimitBar]:
    """The nearest of the limits of which it can be said how much was used, the nearest first."""
    bars = []
    for result in results:
        share = result.share_of_limit
        if share is not None:
            kind = "temperature" if result.kind == "temperature difference" else result.kind
            bars.append(LimitBar(result.label.removesuffix(" margin"), result, kind, share))
    return sorted(bars, key=lambda bar: -bar.share)[:NEAREST]


def picture_of_passes(rows: Sequence[PassRow], mean: Result | None, system: str) -> PassDots | None:
    """The passes that count and are not in doubt, as dots."""
    runs = [
        Run(row.speed.value, row.speed.u, row.run.direction == Pass.Direction.OUT, _figure(row.speed, system))
        for row in rows
        if row.run.valid and row.speed is not None and not row.in_doubt
    ]
    return pass_dots(runs, None if mean is None else mean.value)


def _figure(speed: Measured, system: str) -> str:
    return written(float(speed.value), "speed", system, float(speed.u)).partition(" ")[0]
