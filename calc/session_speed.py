"""How fast a session was through its gates: mean, best, best both ways and peak, each with its uncertainty budget.

One tape measured a gate for all of its passes, so that its error stays in their mean; errors of timing average out.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from calc import speed
from calc.budget import Budget
from calc.declaration import Measured
from calc.quantities import written_difference
from calc.session_sheet import Sheet
from calc.uncertainty import widened_u

TIMING, TAPE, SCATTER, LUCK = "timing", "tape", "scatter of the passes", "luck of the fastest"


class PassSpeeds:
    """The gate speed of every pass that counts, with what its error is made of, and how much passes scatter."""

    def __init__(self, sheet: Sheet) -> None:
        table = sheet.table
        self._table, self.owners = table, table.pass_session
        self.everyone = np.ones(self.owners.size, dtype=bool)
        passes = table.passes
        speeds = speed.gate_speed(**passes) if self.owners.size else Measured(np.empty(0), np.empty(0))
        self.value, self.u = speeds.value, speeds.u
        self.u_timing = speeds.value * passes["u_duration_s"] / passes["duration_s"]
        self.u_tape = speeds.value * passes["u_distance_m"] / passes["distance_m"]
        self.count = table.count_per_session(self.owners, self.everyone)
        self.mean = table.mean_per_session(self.owners, self.value, self.everyone)
        self.spread, _ = self._scatter(np.zeros(self.owners.size, dtype=np.intp))
        """Of all passes of a session, also between both ways."""
        self.scatter, self.freedom = self._scatter(2 * table.pass_gate + table.pass_is_out)
        """Of passes one way through one gate; a wind is no scatter."""

    def _scatter(self, kind: Any) -> tuple[Any, Any]:
        """Standard deviation of the passes of each session within their kind, and its degrees of freedom."""
        kinds = int(kind.max()) + 1 if kind.size else 1
        _, group = np.unique(self.owners * kinds + kind, return_inverse=True)
        size = np.bincount(group) if group.size else np.empty(0)
        centre = np.bincount(group, weights=self.value) / size if group.size else np.empty(0)
        off = (self.value - centre[group]) ** 2 if group.size else np.empty(0)
        freedom = self._table.sum_per_session(self.owners, 1.0 - 1.0 / size[group], self.everyone)
        freedom = np.round(freedom)
        square = self._table.sum_per_session(self.owners, off, self.everyone)
        nothing = np.full(self._table.count, np.nan)
        return np.sqrt(np.divide(square, freedom, out=nothing, where=freedom > 0)), freedom

    def root_sum(self, values: Any) -> Any:
        return np.sqrt(self._table.sum_per_session(self.owners, values**2, self.everyone))

    def tape_of_the_mean(self) -> Any:
        """Sum of the tapes' shares in each session's mean: passes through one gate are wrong alike."""
        gates = int(self._table.pass_gate.max()) + 1 if self.owners.size else 1
        pair, place = np.unique(self.owners * gates + self._table.pass_gate, return_inverse=True)
        by_gate = np.bincount(place, weights=self.u_tape) if pair.size else np.empty(0)
        return np.sqrt(np.bincount(pair // gates, weights=by_gate**2, minlength=self._table.count))

    def luck(self, best: Any, chosen: Any, spread: Any) -> Any:
        """By how much the fastest of the chosen passes is likely too fast because its timing helped it.

        Of passes that scatter by s, of which u_t is timing, what leads their mean by d owes (u_t/s)² d to the timing
        on average (regression to the mean); never more than all of d.
        """
        count = self._table.count_per_session(self.owners, chosen)
        ahead = best - self._table.mean_per_session(self.owners, self.value, chosen)
        square = self._table.mean_per_session(self.owners, self.u_timing**2, chosen)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.minimum(1.0, square / spread**2)
        return np.where(count > 1, np.nan_to_num(share * ahead), 0.0)


def speed_columns(sheet: Sheet) -> None:
    """Mean, best, two-way mean and peak speed."""
    passes = PassSpeeds(sheet)
    _mean(sheet, passes)
    timed = {"a pass that counts": passes.count > 0}
    rows = sheet.table.rows_of_highest(passes.owners, passes.value, passes.everyone)
    best = _picked(sheet, passes.value, rows)
    luck = passes.luck(best, passes.everyone, passes.spread)
    sheet.add(
        "best_gate_speed",
        "speed.gate_speed",
        Measured(best, Budget({"pass": _picked(sheet, passes.u, rows), LUCK: luck})),
        timed,
        lambda row: _fastest_of(int(passes.count[row]), float(luck[row])),
    )
    _two_way(sheet, passes)
    _peak(sheet)


def _fastest_of(count: int, luck_mps: float) -> str:
    if count == 1:
        return "The only pass; the fastest of several would be helped by luck."
    ahead = written_difference(luck_mps, "speed", digits=2)
    return f"Fastest of {count}; luck of the timing makes it about {ahead} too high, which ± takes in."


def _mean(sheet: Sheet, passes: PassSpeeds) -> None:
    count, freedom = passes.count, passes.freedom
    several = np.maximum(count, 1)
    u_timing = passes.root_sum(passes.u_timing) / several
    u_scatter = np.zeros(sheet.table.count)
    known = freedom > 0
    if known.any():
        u_scatter[known] = widened_u(passes.scatter[known] / np.sqrt(count[known]), freedom[known])
    # The scatter has the timing in it; passes that are alike by chance are still no closer than they were timed.
    own = np.maximum(u_timing, u_scatter)
    tape = passes.tape_of_the_mean() / several

    def how(row: int) -> str:
        if count[row] == 1:
            return "The 1 pass that counts; ± is of its timing and distance alone."
        spread = f", spread {written_difference(float(passes.spread[row]), 'speed', digits=2)}"
        unknown = "" if known[row] else "; how each way scatters is not known, so ± is of timing and distance alone"
        return f"Mean of {count[row]} passes that count{spread}{unknown}."

    sheet.add(
        "average_gate_speed",
        "speed.gate_speed",
        Measured(passes.mean, Budget({SCATTER: own, TAPE: tape})),
        {"a pass that counts": count > 0},
        how,
        improve=lambda row: "" if count[row] > 3 else "More passes, both ways, tell more.",
    )


def _picked(sheet: Sheet, values: Any, rows: Any) -> Any:
    """The values at one row of passes for each session; NaN where there is none."""
    has_row = rows >= 0
    picked = sheet.nothing()
    picked[has_row] = values[rows[has_row]]
    return picked


def _two_way(sheet: Sheet, passes: PassSpeeds) -> None:
    table = sheet.table
    ways = (table.pass_is_out, ~table.pass_is_out)
    rows = [table.rows_of_highest(passes.owners, passes.value, way) for way in ways]
    (out, back), (u_out, u_back), (tape_out, tape_back) = (
        [_picked(sheet, values, places) for places in rows] for values in (passes.value, passes.u_timing, passes.u_tape)
    )
    has_out, has_back = ~np.isnan(out), ~np.isnan(back)
    mean = sheet.solve(speed.two_way_mean, has_out & has_back, out, back, u_out, u_back)
    if isinstance(mean, Measured):
        # Where both were ridden through one gate, its tape is wrong both ways.
        gates = [_picked(sheet, table.pass_gate.astype(np.float64), places) for places in rows]
        tape = np.where(gates[0] == gates[1], tape_out + tape_back, np.hypot(tape_out, tape_back)) / 2
        lucks = [passes.luck(best, way, passes.scatter) for best, way in zip((out, back), ways, strict=True)]
        mean = Measured(mean.value, Budget({TIMING: mean.u, TAPE: tape, LUCK: np.hypot(*lucks) / 2}))
    sheet.add(
        "two_way_mean_speed",
        "speed.two_way_mean",
        mean,
        {"a pass out": has_out, "a pass back": has_back},
        "Mean of the best pass out and the best pass back; a steady wind mostly cancels. The best of several is helped "
        "by luck of the timing, which ± takes in.",
    )


def _peak(sheet: Sheet) -> None:
    value, u = sheet.nothing(), sheet.nothing()
    for split in sheet.table.splits:
        profile = speed.split_profile(split.positions_m, split.times_s, u_time_s=split.u_time_s)
        if not profile.peak_mps <= value[split.session]:
            tape = profile.peak_mps * split.u_distance_m / float(np.ptp(split.positions_m))
            value[split.session], u[split.session] = profile.peak_mps, np.hypot(profile.u_peak_mps, tape)
    sheet.add(
        "peak_speed",
        "speed.split_profile",
        Measured(value, u),
        {"a pass timed at three marks or more": ~np.isnan(value)},
        "Faster end of the best pass with three marks or more, constant acceleration between them; "
        "the best of several is helped by luck.",
        improve="More marks, or a light gate, sharpen it.",
    )
