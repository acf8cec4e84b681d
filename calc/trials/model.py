"""One linear model over all days of a machine, to compare one revision with another.

A term for each revision, for each condition in use, and for each day on which both revisions of the question rode.
Those of other days would cost what they tell: a revision that shared all its days with a third one could then be
compared with nothing else. The terms of days are taken out by centring within the day, which gives the same
estimates (Frisch and Waugh, Econometrica 1 (1933) 387–401).

The normal equations of the first days are the sum of those of each, so a look at more days adds only what is new.
They are solved by Goodnight's sweep (A Tutorial on the SWEEP Operator, The American Statistician 33 (1979)
149–158), which tells dependent columns as it goes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from copy import copy
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calc.trials.columns import Floats
from calc.trials.days import DayValues

LEAST_UNEXPLAINED = 1e-8
"""A column counts as explained by the others if at most this share of its square is left."""
LEAST_OF_EITHER = 2
"""Values of either revision from which on conditions between the two can be judged."""
LEAST_SCATTER = 1e-16
"""Residuals with so small a share of all squares are rounding."""


class Contrast(NamedTuple):
    """What the days say of one revision less another, on the model's scale.

    estimable: False where the conditions tell the two apart completely; the rest is then NaN.
    variance_factor: variance of the difference over that of a value of weight 1.
    inflation: variance of the difference over what it would be if conditions did not matter.
    pooled_variance, own_variance, others_variance: of a value of weight 1, from the residuals of all values, of the
    new revision's alone, and of all others.
    """

    estimable: bool
    difference: float
    variance_factor: float
    inflation: float
    degrees_of_freedom: int
    pooled_variance: float
    own_variance: float
    others_variance: float
    values: int
    against_values: int
    all_values: int
    terms: int


def inflations_of(days: DayValues, rows: int, pairs: Sequence[tuple[int, int]]) -> list[float | None]:
    """By how much conditions enlarge the variance of the difference of each pair of revisions; None where they tell the
    two apart, or one has fewer than two values.

    The same as the `inflation` of `DayModel.contrast`. Pairs that share no day have one model, so it is solved once.
    """
    revisions = int(days.revision.max(initial=-1)) + 1
    counts = np.bincount(days.revision[:rows], minlength=revisions)
    on_days: dict[int, set[int]] = {}
    for revision, day in zip(days.revision.tolist(), days.day.tolist(), strict=True):
        on_days.setdefault(revision, set()).add(day)
    apart: tuple[_Solved, _Solved] | None = None
    inflations: list[float | None] = []
    for revision, against in pairs:
        if min(counts[revision], counts[against]) < LEAST_OF_EITHER:
            inflations.append(None)
        elif on_days[revision] & on_days[against]:
            fit = DayModel(days, revisions, revision, against).contrast(rows)
            inflations.append(fit.inflation if fit.estimable else None)
        else:
            if apart is None:
                apart = DayModel(days, revisions, revision, against).solved_apart(rows)
            plain, solved = (state.of_pair(revision, against) for state in apart)
            inflations.append(solved.variance() / plain.variance() if solved.is_estimable() else None)
    return inflations


class DayModel:
    """The model for one pair of revisions over one set of day values, asked at growing numbers of days."""

    def __init__(self, days: DayValues, revisions: int, revision: int, against: int) -> None:
        self.days = days
        self.revisions, self.revision, self.against = revisions, revision, against
        self._shared = _on_shared_days(days, (revision, against))
        self._table, self._weighted = days.table(revisions)
        if self._shared.any():
            self._table = _centred_on_days(self._table, days, self._shared)
            self._weighted = self._table * days.weight[:, None]
        self._rows = 0
        self._gram = np.zeros((self._table.shape[1], self._table.shape[1]))

    def contrast(self, rows: int) -> Contrast:
        """From the first `rows` day values, all of whole days."""
        ridden, shared = self.days.revision[:rows], self._shared[:rows]
        own = np.flatnonzero(ridden == self.revision)
        counts = own.size, int((ridden == self.against).sum()), rows
        solved = _Solved(self._gram_of(rows), self.revision, self.against)
        solved.sweep_indicators(self.revisions)
        plain_variance = solved.variance()
        solved.sweep(range(self.revisions, self._table.shape[1] - 1))
        terms = int(solved.estimable.sum()) + (np.unique(self.days.day[:rows][shared]).size if shared.any() else 0)
        freedom = rows - terms
        pooled = solved.squares / freedom if freedom > 0 else np.nan
        if not (all(counts) and solved.is_estimable()):
            nan = np.nan
            return Contrast(False, nan, nan, nan, freedom, pooled, nan, nan, *counts, terms)
        squares, unexplained = self._of_new_revision(own, solved)
        return Contrast(
            estimable=True,
            difference=solved.difference(),
            variance_factor=solved.variance(),
            inflation=solved.variance() / plain_variance,
            degrees_of_freedom=freedom,
            pooled_variance=pooled,
            own_variance=_variance(squares, unexplained),
            others_variance=_variance(solved.squares - squares, freedom - unexplained),
            values=counts[0],
            against_values=counts[1],
            all_values=rows,
            terms=terms,
        )

    def solved_apart(self, rows: int) -> tuple[_Solved, _Solved]:
        """The model without any shared day, before and after the conditions are taken in."""
        plain = _Solved(self._gram_of(rows), self.revision, self.against)
        plain.sweep_indicators(self.revisions)
        solved = plain.copied()
        solved.sweep(range(self.revisions, self._table.shape[1] - 1))
        return plain, solved

    def _of_new_revision(self, own: NDArray[np.intp], solved: _Solved) -> tuple[float, float]:
        """Weighted squares of its residuals, and the degrees of freedom in them: what they are on average over σ²."""
        table, weight = self._table[own], self.days.weight[own]
        coefficients, inverse = solved.coefficients_and_inverse()
        leverage = weight * ((table[:, :-1] @ inverse) * table[:, :-1]).sum(axis=1)
        leverage += np.where(self._shared[own], weight / self.days.day_weight[self.days.place[own]], 0.0)
        residual = table[:, -1] - table[:, :-1] @ coefficients
        return float(weight @ residual**2), float((1.0 - leverage).sum())

    def _gram_of(self, rows: int) -> Floats:
        if rows < self._rows:
            self._rows, self._gram = 0, np.zeros_like(self._gram)
        new = slice(self._rows, rows)
        self._gram = self._gram + self._table[new].T @ self._weighted[new]
        self._rows = rows
        return self._gram


def _variance(squares: float, freedom: float) -> float:
    """0 where nothing is left to know it by."""
    return max(0.0, squares) / freedom if freedom > LEAST_UNEXPLAINED else 0.0


def _on_shared_days(days: DayValues, pair: tuple[int, int]) -> NDArray[np.bool_]:
    """Which rows are of a day that both rode."""
    count = days.day_weight.size
    rode = [np.bincount(days.place, days.revision == revision, count) > 0 for revision in pair]
    shared: NDArray[np.bool_] = (rode[0] & rode[1])[days.place]
    return shared


def _centred_on_days(table: Floats, days: DayValues, shared: NDArray[np.bool_]) -> Floats:
    """The table with the weighted mean of each shared day taken off its rows."""
    centred = table.copy()
    for column in centred.T:
        mean = np.bincount(days.place, days.weight * column, days.day_weight.size) / days.day_weight
        column[shared] -= mean[days.place][shared]
    return centred


class _Solved:
    """Normal equations on their way to a solution; the last column is the value's."""

    def __init__(self, gram: Floats, revision: int, against: int) -> None:
        self._scale = np.sqrt(np.diag(gram))
        self._scale[self._scale == 0] = 1.0
        self._scale[-1] = 1.0
        self._matrix = gram / (self._scale[:, None] * self._scale)
        self._total = float(gram[-1, -1])
        self._pair = revision, against
        self.estimable = np.zeros(len(gram) - 1, dtype=bool)

    def copied(self) -> _Solved:
        """One that can be swept on while this one stays."""
        other = copy(self)
        other._matrix, other.estimable = self._matrix.copy(), self.estimable.copy()
        return other

    def of_pair(self, revision: int, against: int) -> _Solved:
        """The same solution, asked for another pair; it is not swept any more."""
        other = copy(self)
        other._pair = revision, against
        return other

    def sweep(self, columns: Iterable[int]) -> None:
        """Take in the columns that those before do not explain."""
        matrix = self._matrix
        for column in columns:
            pivot = matrix[column, column]
            if pivot <= LEAST_UNEXPLAINED:
                continue
            row = matrix[column] / pivot
            factor = matrix[:, column].copy()
            matrix -= factor[:, None] * row
            matrix[column] = row
            matrix[:, column] = -factor / pivot
            matrix[column, column] = 1.0 / pivot
            self.estimable[column] = True

    def sweep_indicators(self, columns: int) -> None:
        """The same for the first columns, those of revisions: all at once, but for those that overlap with another one.
        Two revisions do only where days that they share were taken out."""
        matrix, rest = self._matrix, slice(columns, None)
        among = matrix[:columns, :columns] != 0
        alone = among.sum(axis=1) == 1
        first = np.flatnonzero(alone)
        pivots = np.diag(matrix)[first]
        factors = matrix[rest, first]
        rows = matrix[first, rest] / pivots[:, None]
        matrix[rest, rest] -= factors @ rows
        matrix[first, rest] = rows
        matrix[rest, first] = -factors / pivots
        matrix[first, first] = 1.0 / pivots
        self.estimable[first] = True
        self.sweep(np.flatnonzero(among.any(axis=1) & ~alone).tolist())

    @property
    def squares(self) -> float:
        """Weighted squares of all residuals; 0 where they are no more than rounding."""
        squares = float(self._matrix[-1, -1])
        return squares if squares > LEAST_SCATTER * self._total else 0.0

    def _sides(self) -> list[tuple[int, float]]:
        """Columns of the two revisions that are in, with their part in the difference."""
        signs = zip(self._pair, (1.0, -1.0), strict=True)
        return [(column, sign / float(self._scale[column])) for column, sign in signs if self.estimable[column]]

    def difference(self) -> float:
        return sum(part * float(self._matrix[column, -1]) for column, part in self._sides())

    def variance(self) -> float:
        """Of the difference, over that of a value of weight 1."""
        sides = self._sides()
        return sum(own * other * float(self._matrix[row, column]) for row, own in sides for column, other in sides)

    def is_estimable(self) -> bool:
        """Whether no combination of terms that the values cannot tell from nothing changes the difference.

        A column left out is a sum of those that are in; the difference must not depend on how it is divided up.
        """
        if self.estimable.all():
            return True
        left_out = np.flatnonzero(~self.estimable)
        parts = np.zeros(self.estimable.size)
        parts[list(self._pair)] = (1.0, -1.0) / self._scale[list(self._pair)]
        changes = parts[left_out].copy()
        for column, part in self._sides():
            changes -= part * self._matrix[column, left_out]
        return bool((np.abs(changes) <= 1e-6 * np.abs(parts).max()).all())

    def coefficients_and_inverse(self) -> tuple[Floats, Floats]:
        """On the scale of the columns; 0 for those left out."""
        scale = self._scale[:-1]
        coefficients = np.where(self.estimable, self._matrix[:-1, -1], 0.0) / scale
        inverse = np.where(self.estimable[:, None] & self.estimable, self._matrix[:-1, :-1], 0.0)
        return coefficients, inverse / (scale[:, None] * scale)
