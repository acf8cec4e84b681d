"""One linear model over all days of a machine: what it says of one revision against another.

A term for each revision, for each condition in use, and for each day on which both revisions of the question rode.
Those of other days would cost what they tell: a revision that shared all its days with a third one could then be
compared with nothing else. The terms of days are taken out by centring within the day, which gives the same
estimates (Frisch and Waugh, Econometrica 1 (1933) 387–401).

The normal equations of the first days are the sum of those of each, so a look at more days adds only what is new.
They are solved by Goodnight's sweep (A Tutorial on the SWEEP Operator, The American Statistician 33 (1979)
149–158), which tells dependent columns as it goes.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calc.trials.columns import Floats
from calc.trials.days import DayValues

LEAST_UNEXPLAINED = 1e-8
"""A column of which the others explain all but this share of its square is taken as explained by them."""


class Contrast(NamedTuple):
    """What the days say of one revision less another, on the model's scale.

    estimable: False where the conditions tell the two apart completely; the rest is then NaN.
    inflation: variance of the difference over what it would be if conditions did not matter.
    own_share: part of the variance that comes from the new revision's own values.
    pooled_variance, own_variance: of a value of weight 1, over all values, and from the new revision's alone.
    """

    estimable: bool
    difference: float
    variance_factor: float
    own_share: float
    inflation: float
    degrees_of_freedom: int
    pooled_variance: float
    own_variance: float
    values: int
    against_values: int
    all_values: int
    terms: int


class DayModel:
    """The model for one pair of revisions over one set of day values, asked at growing numbers of days."""

    def __init__(self, days: DayValues, revisions: int, revision: int, against: int) -> None:
        self.days = days
        self.revisions, self.revision, self.against = revisions, revision, against
        indicators = np.zeros((days.day.size, revisions))
        indicators[np.arange(days.day.size), days.revision] = 1.0
        value = days.value - days.value.mean() if days.value.size else days.value
        table = np.column_stack([indicators, days.conditions, value])
        self._shared, self._day_weight = _centre_shared_days(table, days, (revision, against))
        self._table = table
        self._weighted = table * days.weight[:, None]
        self._rows = 0
        self._gram = np.zeros((table.shape[1], table.shape[1]))

    def contrast(self, rows: int) -> Contrast:
        """From the first `rows` day values, all of whole days."""
        revision, against = self.revision, self.against
        days, last = self.days, self._table.shape[1] - 1
        gram = self._gram_of(rows)
        scale = np.sqrt(np.diag(gram))
        scale[(scale == 0) | (np.arange(last + 1) == last)] = 1.0
        swept = gram / np.outer(scale, scale)
        pair = np.zeros(last)
        pair[revision], pair[against] = 1.0, -1.0
        wanted = pair / scale[:last]
        kept = _sweep(swept, np.arange(self.revisions), np.zeros(last, dtype=bool))
        plain_variance = _quadratic(swept, wanted, kept)
        kept = _sweep(swept, np.arange(self.revisions, last), kept)
        own = np.flatnonzero(days.revision[:rows] == revision)
        values, against_values = own.size, int((days.revision[:rows] == against).sum())
        shared_days = np.unique(days.day[:rows][self._shared[:rows]]).size
        terms = int(kept.sum()) + shared_days
        freedom = rows - terms
        estimable = bool(values and against_values and _is_estimable(swept, wanted, kept))
        variance_factor = _quadratic(swept, wanted, kept)
        pooled = max(0.0, float(swept[last, last])) / freedom if freedom > 0 else np.nan
        if not estimable:
            blank = np.nan
            return Contrast(
                False, blank, blank, blank, blank, freedom, pooled, blank, values, against_values, rows, terms
            )
        coefficients = np.where(kept, swept[:last, last], 0.0)
        inverse = np.where(np.outer(kept, kept), swept[:last, :last], 0.0)
        table, weight = self._table[own, :last] / scale[:last], days.weight[own]
        leverage = weight * ((table @ inverse) * table).sum(axis=1)
        leverage += np.where(self._shared[own], weight / self._day_weight[own], 0.0)
        residual = self._table[own, last] - table @ coefficients
        unexplained = float((1.0 - leverage).sum())
        own_variance = float(weight @ residual**2) / unexplained if unexplained > LEAST_UNEXPLAINED else 0.0
        return Contrast(
            estimable=True,
            difference=float(coefficients @ wanted),
            variance_factor=variance_factor,
            own_share=float(weight @ (table @ (inverse @ wanted)) ** 2) / variance_factor,
            inflation=variance_factor / plain_variance,
            degrees_of_freedom=freedom,
            pooled_variance=pooled,
            own_variance=own_variance,
            values=values,
            against_values=against_values,
            all_values=rows,
            terms=terms,
        )

    def _gram_of(self, rows: int) -> Floats:
        if rows < self._rows:
            self._rows, self._gram = 0, np.zeros_like(self._gram)
        new = slice(self._rows, rows)
        self._gram = self._gram + self._table[new].T @ self._weighted[new]
        self._rows = rows
        return self._gram


def _centre_shared_days(table: Floats, days: DayValues, pair: tuple[int, int]) -> tuple[NDArray[np.bool_], Floats]:
    """Take the weighted mean of each day that both rode off its rows, in place; which rows those are, and the
    weight of the day of each row."""
    _, place = np.unique(days.day, return_inverse=True)
    count = int(place.max(initial=-1)) + 1
    rode = [np.bincount(place, days.revision == one, count) > 0 for one in pair]
    shared = (rode[0] & rode[1])[place]
    day_weight: Floats = np.bincount(place, days.weight, count).astype(np.float64)
    if shared.any():
        for column in table.T:
            mean = np.bincount(place, days.weight * column, count) / day_weight
            column[shared] -= mean[place][shared]
    return shared, day_weight[place]


def _sweep(matrix: Floats, columns: NDArray[np.intp], kept: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Sweep the columns that the earlier ones do not explain, in place; which columns are swept now."""
    kept = kept.copy()
    for column in columns:
        pivot = matrix[column, column]
        if pivot <= LEAST_UNEXPLAINED:
            continue
        row = matrix[column] / pivot
        factor = matrix[:, column].copy()
        matrix -= np.outer(factor, row)
        matrix[column] = row
        matrix[:, column] = -factor / pivot
        matrix[column, column] = 1.0 / pivot
        kept[column] = True
    return kept


def _quadratic(swept: Floats, wanted: Floats, kept: NDArray[np.bool_]) -> float:
    places = np.flatnonzero(kept)
    part = wanted[places]
    return float(part @ swept[np.ix_(places, places)] @ part)


def _is_estimable(swept: Floats, wanted: Floats, kept: NDArray[np.bool_]) -> bool:
    """Whether no combination of terms that the values cannot tell from nothing changes the difference.

    A column left out is a sum of kept ones; the difference must not depend on how it is divided among them.
    """
    places, left_out = np.flatnonzero(kept), np.flatnonzero(~kept)
    changes = wanted[left_out] - wanted[places] @ swept[np.ix_(places, left_out)]
    size = np.abs(wanted).max()
    return bool((np.abs(changes) <= 1e-6 * size).all())
