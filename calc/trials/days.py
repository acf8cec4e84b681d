"""Which sessions count for a question, and one value for each day and revision of those that do."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from calc.trials.columns import Columns, Factor, Flags, Floats, Integers

RECORDED_SHARE = 0.5
"""A condition is allowed for where so many of the sessions of either revision have it (common practice, no source)."""

PASSES_AS_GOOD_AS_ONE_DAY = 1.0
"""A single pass scatters about its day's mean as much as days scatter: weights are n / (n + 1).

A declared assumption. It is fixed, so that no answer of an earlier look changes with what is ridden later.
"""


@dataclass(frozen=True)
class Selection:
    """What a question allows for: conditions in use, and levels that one revision has for itself.

    used: one flag for each condition of the columns. aside: (place of the factor, level).
    """

    used: tuple[bool, ...]
    aside: frozenset[tuple[int, int]]


class Selector:
    """What a question about two revisions can allow for, asked at any number of first rows.

    A condition that hardly any session of one of the two has would throw out their sessions; it is not allowed
    for, and the caller says so. A level of a factor that occurs with one revision only says nothing of any
    difference between revisions: its sessions are set aside. Both rest on the first rows alone, so that an answer
    once given does not change with what is ridden later.
    """

    def __init__(self, columns: Columns, revision: int, against: int) -> None:
        self.columns = columns
        self._has_value = ~np.isnan(columns.value)
        sides = [self._has_value & (columns.revision == which) for which in (revision, against)]
        ridden = np.cumsum(sides, axis=1)
        recorded = [[side & condition.recorded for side in sides] for condition in columns.conditions]
        so_far = np.cumsum(recorded, axis=2) if recorded else np.zeros((0, 2, columns.day.size))
        self._enough = np.all(so_far >= RECORDED_SHARE * ridden, axis=1)

    def at(self, rows: int) -> Selection:
        """From the first `rows` rows."""
        if not rows:
            return Selection((True,) * len(self.columns.conditions), frozenset())
        used = tuple(self._enough[:, rows - 1].tolist())
        second_revision, lonely = self._first_rows(used)
        if rows <= second_revision or not lonely[rows]:
            return Selection(used, frozenset())
        return Selection(used, self._aside(used, rows))

    def _first_rows(self, used: tuple[bool, ...]) -> tuple[int, Flags]:
        """From which row on there are two revisions; and for each number of first rows, whether some level has one
        revision in them."""
        known: dict[tuple[bool, ...], tuple[int, Flags]] = self.columns.lonely
        if used not in known:
            columns, many = self.columns, self.columns.day.size
            rows = np.flatnonzero(self._has_value & rows_complete(columns, used))
            revision = columns.revision[rows]
            changed = rows[revision != revision[0]] if rows.size else rows
            begin_and_end = np.zeros(many + 2, dtype=np.intp)
            for factor in _in_use(columns, used):
                first = np.full((len(factor.levels), len(columns.revisions) + 1), many, dtype=np.intp)
                np.minimum.at(first, (factor.codes[rows], revision), rows)
                first.sort(axis=1)
                np.add.at(begin_and_end, first[:, 0] + 1, 1)
                np.add.at(begin_and_end, first[:, 1] + 1, -1)
            known[used] = int(changed[0]) if changed.size else many, np.cumsum(begin_and_end) > 0
        return known[used]

    def _aside(self, used: tuple[bool, ...], rows: int) -> frozenset[tuple[int, int]]:
        """Setting sessions aside may leave another level with one revision only."""
        columns = self.columns
        counted = self._has_value & rows_complete(columns, used)
        counted[rows:] = False
        aside: frozenset[tuple[int, int]] = frozenset()
        while True:
            lonely = {
                (place, level)
                for place, factor in enumerate(columns.factors)
                if used[place]
                for level in _lonely_levels(factor, columns, counted)
            }
            if not lonely:
                return aside
            aside |= lonely
            counted &= ~rows_aside(columns, aside)


def _in_use(columns: Columns, used: tuple[bool, ...]) -> list[Factor]:
    return [factor for factor, flag in zip(columns.factors, used, strict=False) if flag]


def _lonely_levels(factor: Factor, columns: Columns, counted: Flags) -> list[int]:
    table = np.zeros((len(factor.levels), len(columns.revisions)), dtype=bool)
    table[factor.codes[counted], columns.revision[counted]] = True
    return [int(level) for level in np.flatnonzero(table.sum(axis=1) == 1)]


def rows_complete(columns: Columns, used: tuple[bool, ...]) -> Flags:
    """Rows with every condition in use recorded."""
    complete = np.ones(columns.day.size, dtype=bool)
    for condition, wanted in zip(columns.conditions, used, strict=True):
        if wanted:
            complete &= condition.recorded
    return complete


def rows_aside(columns: Columns, aside: frozenset[tuple[int, int]]) -> Flags:
    """Rows at a level that is set aside."""
    flags = np.zeros(columns.day.size, dtype=bool)
    for place, level in aside:
        flags |= columns.factors[place].codes == level
    return flags


def _standardised(column: Floats) -> Floats:
    """Centred and scaled, so that no digits are lost beside the other columns; zeros where it does not vary."""
    if not column.size or np.ptp(column) <= 1e-12 * np.abs(column).max():
        return np.zeros_like(column)
    standardised: Floats = (column - column.mean()) / column.std()
    return standardised


@dataclass(frozen=True)
class DayValues:
    """One value for each day and revision, by day; conditions of several sessions of a day are averaged.

    value: on the model's scale. weight: n / (n + 1) for n passes. conditions: one column for each covariate in
    use, centred and scaled, and for each level of a factor in use but its first.
    row: for each row of the columns its place here, or −1 where it does not count.
    """

    day: Integers
    revision: Integers
    value: Floats
    weight: Floats
    passes: Floats
    conditions: Floats
    row: Integers
    tables: dict[int, tuple[Floats, Floats]] = field(default_factory=dict, init=False, repr=False, compare=False)
    """What `table` has worked out already, which the questions of a page share."""

    def table(self, revisions: int) -> tuple[Floats, Floats]:
        """One row for each value: an indicator of each revision, the conditions, and the value less the mean of all;
        and the same times the weights. Neither may be changed."""
        if revisions not in self.tables:
            indicators = np.zeros((self.day.size, revisions))
            indicators[np.arange(self.day.size), self.revision] = 1.0
            value = self.value - self.value.mean() if self.value.size else self.value
            table = np.column_stack([indicators, self.conditions, value])
            self.tables[revisions] = table, table * self.weight[:, None]
        return self.tables[revisions]

    @cached_property
    def place(self) -> Integers:
        """The place of each row's day among the days that occur."""
        place: Integers = np.unique(self.day, return_inverse=True)[1]
        return place

    @cached_property
    def day_weight(self) -> Floats:
        """The weight of each of these days."""
        weight: Floats = np.bincount(self.place, self.weight, int(self.place.max(initial=-1)) + 1).astype(np.float64)
        return weight

    def rows_until(self, day: int) -> int:
        return int(np.searchsorted(self.day, day, side="right"))

    def counts(self, day: int, revision: int, against: int) -> tuple[int, int]:
        """Values of two revisions up to and with a day."""
        ridden = self.revision[: self.rows_until(day)]
        return int((ridden == revision).sum()), int((ridden == against).sum())


def day_values(columns: Columns, chosen: Selection) -> DayValues:
    """Values of the sessions that count, averaged over each day and revision by their passes."""
    counted = ~np.isnan(columns.value) & rows_complete(columns, chosen.used) & ~rows_aside(columns, chosen.aside)
    rows = np.flatnonzero(counted)
    width = len(columns.revisions)
    keys, place = np.unique(columns.day[rows] * width + columns.revision[rows], return_inverse=True)
    passes = columns.passes[rows]
    total = np.bincount(place, passes, keys.size).astype(np.float64)

    def averaged(column: Floats) -> Floats:
        mean: Floats = np.bincount(place, passes * column, keys.size) / total
        return mean

    value = np.log(columns.value[rows]) if columns.measure.ratio else columns.value[rows]
    parts = []
    for condition, wanted in zip(columns.conditions, chosen.used, strict=True):
        if not wanted:
            continue
        if isinstance(condition, Factor):
            codes = condition.codes[rows]
            parts += [averaged((codes == level).astype(np.float64)) for level in np.unique(codes)[1:]]
        else:
            parts.append(_standardised(averaged(condition.values[rows])))
    where = np.full(columns.day.size, -1, dtype=np.intp)
    where[rows] = place
    return DayValues(
        day=keys // width,
        revision=keys % width,
        value=averaged(value),
        weight=total / (total + PASSES_AS_GOOD_AS_ONE_DAY),
        passes=total,
        conditions=np.column_stack(parts) if parts else np.empty((keys.size, 0)),
        row=where,
    )
