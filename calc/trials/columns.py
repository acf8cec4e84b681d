"""The values of a measure with revision, day and riding conditions."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.intp]
Flags = NDArray[np.bool_]

NOT_RECORDED = -1
LARGEST_LOGARITHM = 20.0
"""Ratios beyond 480 million are shown as that: no interval is known so well that it has no end."""


@dataclass(frozen=True)
class Measure:
    """What is compared.

    smallest_difference: the smallest that matters: a share (0.03) of a ratio measure, otherwise in its unit.
    ratio: differences are ratios, worked out on the log scale; the values must then be above 0.
    """

    key: str
    smallest_difference: float
    ratio: bool = True

    def __post_init__(self) -> None:
        if not self.smallest_difference > 0:
            raise ValueError(f"smallest_difference of {self.key} must be above 0, got {self.smallest_difference:g}")

    @property
    def band(self) -> float:
        """Half-width of what does not matter, on the scale of the model."""
        return float(np.log1p(self.smallest_difference)) if self.ratio else self.smallest_difference

    def shown(self, difference: float) -> float:
        """A difference of the model's scale as people read it: a ratio minus one, or in the unit."""
        return math.expm1(min(difference, LARGEST_LOGARITHM)) if self.ratio else difference


SMALLEST_SPEED_DIFFERENCE = 0.03
SMALLEST_ENERGY_DIFFERENCE = 0.05
"""Declared assumptions: smaller differences are assumed not to matter. Energy's applies to range too."""


@dataclass(frozen=True)
class Factor:
    """A condition with levels, such as the surface: for each row the place of its level, or NOT_RECORDED."""

    label: str
    codes: Integers
    levels: tuple[str, ...]

    @property
    def recorded(self) -> Flags:
        recorded: Flags = self.codes != NOT_RECORDED
        return recorded


def _plain_span(low: float, high: float) -> str:
    lower, upper = (f"{end:.3g}".replace("-", "−") for end in (low, high))
    return upper if lower == upper else f"{lower} to {upper}"


@dataclass(frozen=True)
class Covariate:
    """A condition with a number, such as the air temperature: NaN where it was not recorded.

    less, more: what lower and higher values are called ("colder", "warmer").
    span: how the lowest and the highest value are shown to the reader, with their unit.
    """

    label: str
    values: Floats
    less: str = "lower"
    more: str = "higher"
    span: Callable[[float, float], str] = _plain_span

    @property
    def recorded(self) -> Flags:
        recorded: Flags = ~np.isnan(self.values)
        return recorded


@dataclass(frozen=True)
class Columns:
    """All values of one machine for one measure, one row for each session and gate, in the order ridden.

    value: NaN where the session has none.
    passes: how many passes a value rests on; 1 for what is measured once a session.
    day: grows from row to row; sessions of one day have the same.
    revision: place of the revision in `revisions`, their labels.
    """

    measure: Measure
    value: Floats
    passes: Floats
    session: Integers
    day: Integers
    revision: Integers
    revisions: tuple[str, ...]
    factors: tuple[Factor, ...] = ()
    covariates: tuple[Covariate, ...] = ()
    inflations: dict[Any, float | None] = field(default_factory=dict, init=False, repr=False, compare=False)
    """What plans have worked out of these rows already; the questions of a page ask for the same pairs."""
    days: dict[Any, Any] = field(default_factory=dict, init=False, repr=False, compare=False)
    """The values of days by what is allowed for, which the questions of a page share."""

    def __post_init__(self) -> None:
        columns = {"value": self.value, "passes": self.passes, "session": self.session, "revision": self.revision}
        columns |= {factor.label: factor.codes for factor in self.factors}
        columns |= {covariate.label: covariate.values for covariate in self.covariates}
        for name, column in columns.items():
            if len(column) != len(self.day):
                raise ValueError(f"{name} must be as long as day ({len(self.day)}), got {len(column)} values")
        places = {"revision": (self.revision, 0, self.revisions)}
        places |= {factor.label: (factor.codes, NOT_RECORDED, factor.levels) for factor in self.factors}
        for name, (column, least, names) in places.items():
            if not ((column >= least) & (column < len(names))).all():
                raise ValueError(f"{name} must hold places of {', '.join(names) or 'no names'}, from 0")
        if (np.diff(self.day) < 0).any():
            raise ValueError("day must not fall from row to row: rows stand in the order in which they were ridden")
        good = np.isnan(self.value) | ((self.value > 0) if self.measure.ratio else True)
        if not (good & ~np.isinf(self.value)).all():
            raise ValueError(f"value must be a number{' above 0' if self.measure.ratio else ''}, or NaN for none")
        if not (self.passes > 0)[~np.isnan(self.value)].all():
            raise ValueError("passes must be above 0 where there is a value")

    @property
    def conditions(self) -> tuple[Factor | Covariate, ...]:
        return (*self.factors, *self.covariates)

    def up_to(self, rows: int) -> Columns:
        """The first rows alone: what stood in the log at that time."""
        return replace(
            self,
            value=self.value[:rows],
            passes=self.passes[:rows],
            session=self.session[:rows],
            day=self.day[:rows],
            revision=self.revision[:rows],
            factors=tuple(replace(factor, codes=factor.codes[:rows]) for factor in self.factors),
            covariates=tuple(replace(covariate, values=covariate.values[:rows]) for covariate in self.covariates),
        )
