"""What an interval says: the same definitions for every measure, and for every modification."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from calc.trials.columns import Measure


class Answer(StrEnum):
    """What is known of one revision against another on one measure."""

    HIGHER = "higher"
    LOWER = "lower"
    NO_DIFFERENCE = "no_difference_that_matters"
    NOT_YET_KNOWN = "not_yet_known"
    NOT_BY_RIDING = "cannot_be_settled_by_riding"
    NOT_SEPARABLE = "cannot_be_separated"


class Outcome(StrEnum):
    """What is known of a modification that was expected to change a measure one way."""

    WORSE = "made_it_worse"
    NOTHING = "did_nothing_that_matters"
    AS_EXPECTED = "did_what_it_should"
    LESS_THAN_EXPECTED = "helped_less_than_expected"
    NOT_YET_KNOWN = "not_yet_known"


@dataclass(frozen=True)
class Expectation:
    """What a modification was to do to a measure.

    direction: up (1) or down (−1). amount: by how much, if that was said: a share of a ratio measure.
    """

    direction: int
    amount: float | None = None

    def __post_init__(self) -> None:
        if self.direction not in (1, -1):
            raise ValueError(f"direction must be 1 (up) or -1 (down), got {self.direction}")
        if self.amount is not None and not self.amount > 0:
            raise ValueError(f"amount must be above 0, got {self.amount:g}")

    def change(self, measure: Measure) -> float:
        """The expected change on the model's scale, the expected way; the smallest that matters if none was named."""
        if self.amount is None:
            return measure.band
        if not measure.ratio:
            return self.amount
        # A fall by all of it or more has no ratio; it is read as the largest fall that has one.
        return float(abs(np.log1p(max(self.direction * self.amount, -0.999))))


def answer_of(lower: float, upper: float, measure: Measure) -> Answer:
    """The answer of an interval on the model's scale.

    Examples
    --------
    >>> answer_of(-0.01, 0.02, Measure("mean_gate_speed", smallest_difference=0.03)).value
    'no_difference_that_matters'
    """
    if lower > 0:
        return Answer.HIGHER
    if upper < 0:
        return Answer.LOWER
    if -measure.band < lower and upper < measure.band:
        return Answer.NO_DIFFERENCE
    return Answer.NOT_YET_KNOWN


def outcome_of(lower: float, estimate: float, upper: float, measure: Measure, expectation: Expectation) -> Outcome:
    """What an interval says of a modification; the first that applies.

    Examples
    --------
    >>> speed = Measure("mean_gate_speed", smallest_difference=0.03)
    >>> outcome_of(0.01, 0.04, 0.07, speed, Expectation(direction=1, amount=0.05)).value
    'helped_less_than_expected'
    """
    if expectation.direction < 0:
        lower, estimate, upper = -upper, -estimate, -lower
    if upper < 0:
        return Outcome.WORSE
    if -measure.band < lower and upper < measure.band:
        return Outcome.NOTHING
    if lower > 0:
        enough = estimate >= expectation.change(measure)
        return Outcome.AS_EXPECTED if enough else Outcome.LESS_THAN_EXPECTED
    return Outcome.NOT_YET_KNOWN
