"""Times that run forwards: isolated wrong stamps are left out, and a clock that began again starts another part.

Rows come in blocks. The last few of each wait for those that follow, because whether a stamp is wrong by itself, or the
clock began again, is only seen afterwards.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np

from sessions.logs.series import NotARecording, are

TIME = "time_s"
AHEAD_ROWS = 8
"""So many rows after a step back are looked at before it counts as a new beginning."""
MOST_WRONG_ROWS = 3
"""A run of wrong stamps that is longer is no accident of one row."""
SMALLEST_RESET_S = 5.0
STEPS_OF_A_RESET = 20.0
"""A step back by less than both is a clock that was corrected: rows are left out until it has caught up (common
practice, no source)."""
STEPS_OF_A_WRONG_STAMP = 20.0
PAUSE_S, STEPS_OF_A_PAUSE = 10.0, 40.0
"""Between two parts lies more than any gap over which values are summed up: how long the pause was is unknown."""
YEARS_S = 30 * 86_400.0
"""A first stamp so far before the second was written before the clock was set."""


class ForwardTimes:
    """Chooses the rows of a recording whose times grow. What was left out is counted."""

    def __init__(self) -> None:
        self.rows = self.kept = 0
        self.unknown = self.standing = self.wrong = self.repeated = 0
        """Rows without a time; that stand still or go back; whose stamp alone is wrong; and how many of those
        that stand still repeat the stamp before, as loggers do whose clock shows whole seconds."""
        self.first_left_out: int | None = None
        self.parts: list[tuple[int, float]] = []
        """The row at which each further part begins, and its time."""
        self._latest_s, self._shift_s = -np.inf, 0.0
        self._step_s: float | None = None

    def of(self, blocks: Iterable[dict[str, Any]]) -> Iterator[dict[str, Any]]:
        """The rows to keep of blocks of columns, with the times of further parts moved behind those before."""
        waiting: dict[str, Any] | None = None
        for block in blocks:
            if waiting is not None:
                block = {name: np.concatenate([waiting[name], values]) for name, values in block.items()}
            size = block[TIME].size
            ready = size - AHEAD_ROWS
            if ready < 1:
                waiting = block
                continue
            waiting = {name: values[ready:] for name, values in block.items()}
            chosen = self._chosen(block, ready)
            if chosen is not None:
                yield chosen
        if waiting is not None:
            chosen = self._chosen(waiting, waiting[TIME].size)
            if chosen is not None:
                yield chosen

    def _chosen(self, block: dict[str, Any], count: int) -> dict[str, Any] | None:
        """Of the first `count` rows of a block those that run forwards; the others are there to be looked at."""
        seconds = block[TIME]
        times, kept = self._placed(seconds, count)
        before = self.rows
        self.rows += count
        if kept.all():
            self.kept += count
            rows = {name: values[:count] for name, values in block.items()}
            return rows | {TIME: times}
        if self.first_left_out is None:
            self.first_left_out = before + int(np.argmin(kept))
        self.kept += int(kept.sum())
        if not kept.any():
            return None
        return {name: values[:count][kept] for name, values in block.items()} | {TIME: times[kept]}

    def _placed(self, seconds: Any, count: int) -> tuple[Any, Any]:
        known = ~np.isnan(seconds)
        wrong = np.zeros(seconds.size, dtype=bool)
        shifts = np.zeros(seconds.size)
        rows = np.flatnonzero(known)
        steps = np.diff(seconds[rows])
        if self._step_s is None and (steps > 0).any():
            self._step_s = float(np.median(steps[steps > 0]))
        step_s = self._step_s or 1.0
        if self.rows == 0 and rows.size > 1:
            # Receivers write a stamp of another decade until they know the time.
            unset = np.flatnonzero(steps[: min(AHEAD_ROWS, steps.size)] > YEARS_S)
            if unset.size and rows.size > 2 * (unset[-1] + 1):
                wrong[rows[: unset[-1] + 1]] = True
        drops = np.flatnonzero(steps < 0) + 1
        if 0 < drops.size <= max(20, rows.size // 50):
            self._judge_drops(seconds, rows, drops, wrong, shifts, step_s, count)
        times = seconds[:count] + shifts[:count] + self._shift_s
        usable = known[:count] & ~wrong[:count]
        grown = np.where(usable, times, -np.inf)
        latest = np.maximum.accumulate(np.append(self._latest_s, grown))
        kept = grown > latest[:-1]
        self._latest_s = float(latest[-1])
        self._shift_s += float(shifts[count - 1])
        self.unknown += int((~known[:count]).sum())
        self.wrong += int(wrong[:count].sum())
        left_out = usable & ~kept
        self.standing += int(left_out.sum())
        self.repeated += int((left_out[1:] & (times[1:] == times[:-1])).sum())
        return times, kept

    def _judge_drops(
        self, seconds: Any, rows: Any, drops: Any, wrong: Any, shifts: Any, step_s: float, count: int
    ) -> None:
        values = seconds[rows]
        for drop in drops.tolist():
            row = int(rows[drop])
            if row >= count or wrong[rows[drop - 1]]:
                continue
            peak = float(values[drop - 1])
            spike = self._spike(values, drop, step_s)
            if spike:
                wrong[rows[drop - spike : drop]] = True
                continue
            after = values[drop : drop + AHEAD_ROWS]
            is_reset = (
                peak - after[0] > max(SMALLEST_RESET_S, STEPS_OF_A_RESET * step_s)
                and after.size > 1
                and bool((after < peak).all())
                and bool((np.diff(after) >= 0).all())
            )
            if is_reset:
                # Behind the last good time before it, by more than any gap.
                moved = peak + shifts[row - 1] - after[0] + max(PAUSE_S, STEPS_OF_A_PAUSE * step_s)
                shifts[row:] = moved
                self.parts.append((self.rows + row, float(after[0] + moved + self._shift_s)))

    def _spike(self, values: Any, drop: int, step_s: float) -> int:
        """How many stamps before a step back are ahead of both sides, 0 where the clock went back instead."""
        for length in range(1, MOST_WRONG_ROWS + 1):
            before = drop - length - 1
            if before < 0:
                return 0
            jump = values[drop - length] - values[before]
            if values[drop] > values[before] and jump > STEPS_OF_A_WRONG_STAMP * step_s:
                return length
        return 0

    def notes(self, what: str, place_of: str = "", first_line: int = 0) -> list[str]:
        """What was left out, in words; `what` is what a row is called.

        Raises NotARecording where too little is left for a recording.
        """
        left_out = self.standing + self.wrong
        known = self.rows - self.unknown
        if self.kept < 2 or left_out - self.repeated > known / 2:
            raise NotARecording(
                f"The times do not run forwards: {self.standing + self.wrong} of {self.rows} {what} stand still or go "
                "back. Choose another column for the time, or another form of it."
                if place_of
                else f"The times of the track do not run forwards: {left_out} of {self.rows} {what} go back."
            )
        where = ""
        if place_of and self.first_left_out is not None:
            where = f", the first near {place_of} {first_line + self.first_left_out}"
        notes = []
        if self.unknown and not place_of:
            notes.append(f"{are(self.unknown, what)} left out, without a time.")
        if self.standing:
            notes.append(f"{are(self.standing, what)} left out, whose time stands still or runs backwards{where}.")
        if self.wrong:
            notes.append(f"{are(self.wrong, what)} left out, with a time far from those beside{where}.")
        for row, begins_s in self.parts:
            near = f" near {place_of} {first_line + row}" if place_of else f" at the {row + 1}th of its {what}"
            notes.append(
                f"The clock began again{near}: what follows is placed at {begins_s:.0f} s. How long the pause was is "
                "not known, and nothing is summed up over it."
            )
        return notes
