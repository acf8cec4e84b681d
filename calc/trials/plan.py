"""What riding could show, from the spread between days so far; the difference seen so far is never used.

The spread is itself known from few days: its chances are taken over all spreads that the residuals allow (their
variance over the true one follows chi-square), so that a plan keeps its promise on average.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property, lru_cache

import numpy as np

from calc.trials.columns import Floats, Measure
from calc.trials.days import PASSES_AS_GOOD_AS_ONE_DAY
from calc.trials.looks import LEAST_DEGREES_OF_FREEDOM, LEAST_VALUES, PLAN_SHARE, Look, QuestionData
from calc.trials.model import inflations_of

POWER = 0.8
MOST_VALUES = 40
"""Days of one revision that no season holds; what takes more cannot be settled by riding (common practice, no
source)."""
POOR_CHANCE = 0.5
"""Below this chance of an answer, other ways are offered."""
WORTH_OFFERING = 0.95
"""An offer must reduce the detectable change to this share."""
_SPREADS, _OWN_SPREADS = 24, 16
"""Quantiles at which the spreads are evaluated."""


@dataclass(frozen=True)
class Basis:
    """What a plan rests on, on the model's scale.

    variance: of a value of weight 1, with its degrees of freedom. weight: of a typical value.
    inflation: by which conditions that differ between the two enlarge the variance of their difference.
    values, own_variance: of the new revision so far. against_weight: sum of the other's weights.
    conditions: terms that the conditions take. passes: of a typical value.
    """

    variance: float
    degrees_of_freedom: int
    weight: float
    inflation: float
    values: int
    own_variance: float
    against_weight: float
    conditions: int
    passes: float

    @property
    def spread(self) -> float:
        """Standard deviation of a typical value."""
        return math.sqrt(self.variance / self.weight)

    def with_both(self, days: int) -> Basis:
        """With as many further days on which both builds are ridden, and by these alone: conditions then cancel."""
        return replace(self, inflation=1.0, against_weight=self.weight * days, values=0, own_variance=0.0)


def basis_of(data: QuestionData, look: Look) -> Basis | None:
    """From all that a look saw; None where the residuals are too few to know a spread."""
    fit, question = look.contrast, data.question
    if fit.degrees_of_freedom < LEAST_DEGREES_OF_FREEDOM or not fit.pooled_variance > 0:
        return None
    days = data.days_of(look)
    rows = days.rows_until(look.day)
    weight, revision = days.weight[:rows], days.revision[:rows]
    new, old = revision == question.revision, revision == question.against
    typical = new if new.any() else np.ones(rows, dtype=bool)
    enough = fit.estimable and fit.values >= LEAST_VALUES
    return Basis(
        variance=fit.pooled_variance,
        degrees_of_freedom=fit.degrees_of_freedom,
        weight=float(weight[typical].mean()),
        inflation=fit.inflation if enough else _usual_inflation(data, look),
        values=fit.values,
        own_variance=fit.own_variance if fit.estimable else 0.0,
        against_weight=float(weight[old].sum()),
        conditions=days.conditions.shape[1],
        passes=float(days.passes[:rows][typical].mean()),
    )


def _usual_inflation(data: QuestionData, look: Look) -> float:
    """By how much conditions enlarged the variance between each revision and the one before it.

    Without such a pair: what q terms of equal normal distribution give on average, 1 + q / (ν − 1) (Cochran, Analysis
    of covariance, Biometrics 13 (1957) 261–281, for one term; from memory).
    """
    days = data.days_of(look)
    rows = days.rows_until(look.day)
    ridden = np.unique(days.revision[:rows])
    ridden = ridden[ridden != data.question.revision]
    pairs = list(zip(ridden[1:].tolist(), ridden[:-1].tolist(), strict=True))
    known, selection = data.columns.inflations, look.selection
    if unknown := [pair for pair in pairs if (selection, rows, *pair) not in known]:
        for pair, inflation in zip(unknown, inflations_of(days, rows, unknown), strict=True):
            known[(selection, rows, *pair)] = inflation
    inflations = [inflation for pair in pairs if (inflation := known[(selection, rows, *pair)]) is not None]
    if inflations:
        return float(np.mean(inflations))
    return 1.0 + float(days.conditions.shape[1]) / max(1, look.contrast.degrees_of_freedom - 1)


class OfferKind(StrEnum):
    BOTH_BUILDS = "both_builds_on_one_day"
    MORE_PASSES = "more_passes"
    STEADIER = "steadier_conditions"


@dataclass(frozen=True)
class Offer:
    """A way to see more with as many days: the change that it would tell, as people read it."""

    kind: OfferKind
    tells: float


@dataclass(frozen=True)
class Plan:
    """What the planned values of the new revision would show; differences as people read them. Each is worked out once
    it is asked for: a page shows few of them.

    Parameters
    ----------
    basis: what the plan rests on.
    planned: values of the new revision, at least 4.
    error: the question's part of the page's error.
    wanted: the change to tell, on the model's scale, above 0.
    most_values: days of one revision that no season holds, at least 4.
    power: the chance with which a change is to be told, between 0 and 1.
    both_builds: whether both revisions are ridden on each of the planned days.

    Raises
    ------
    ValueError: too few values are planned.
    """

    basis: Basis
    measure: Measure
    planned: int
    error: float
    wanted: float
    most_values: int
    power: float
    both_builds: bool

    def __post_init__(self) -> None:
        if self.planned < LEAST_VALUES:
            raise ValueError(f"planned must be at least {LEAST_VALUES} values, got {self.planned}")

    @property
    def spread(self) -> float:
        """From day to day."""
        return self.measure.shown(self.basis.spread)

    @property
    def amount(self) -> float:
        """The change to tell."""
        return self.measure.shown(self.wanted)

    @cached_property
    def tells(self) -> float | None:
        """The change that would be told with the power asked for."""
        tells = detectable_change(self._as_planned, self.planned, self.error, self.power)
        return None if tells is None else self.measure.shown(tells)

    @cached_property
    def chance_to_tell(self) -> float:
        """Of `amount`."""
        return chance_to_tell(self._as_planned, self.wanted, self.planned, self.error)

    @cached_property
    def chance_of_none(self) -> float:
        """To show that there is no difference that matters, where there is none at all."""
        return chance_of_none(self._as_planned, self.measure.band, self.planned, self.error)

    @cached_property
    def values_to_tell(self) -> int | None:
        """How many values of the new revision, with the other's as they are; None where no season holds as many."""
        return self._fewest(lambda days: chance_to_tell(self.basis, self.wanted, days, self.error))

    @cached_property
    def values_to_show_none(self) -> int | None:
        return self._fewest(lambda days: chance_of_none(self.basis, self.measure.band, days, self.error))

    @cached_property
    def days_to_tell(self) -> int | None:
        """How many days on which both are ridden; None where no season holds as many."""
        return self._fewest(lambda days: chance_to_tell(self.basis.with_both(days), self.wanted, days, self.error))

    @cached_property
    def days_to_show_none(self) -> int | None:
        band = self.measure.band
        return self._fewest(lambda days: chance_of_none(self.basis.with_both(days), band, days, self.error))

    @property
    def can_be_settled(self) -> bool:
        ways = ("values_to_tell", "values_to_show_none", "days_to_tell", "days_to_show_none")
        return any(getattr(self, way) is not None for way in ways)

    @cached_property
    def offers(self) -> tuple[Offer, ...]:
        """Ways to see more, where the plan has a poor chance of any answer."""
        if max(self.chance_to_tell, self.chance_of_none) >= POOR_CHANCE:
            return ()
        return _offers(self._as_planned, self.measure, self.planned, self.error, self.power)

    @property
    def _as_planned(self) -> Basis:
        return self.basis.with_both(self.planned) if self.both_builds else self.basis

    def _fewest(self, chance: Callable[[int], float]) -> int | None:
        return _fewest(chance, self.most_values, self.power)


def plan(
    basis: Basis, measure: Measure, planned: int, error: float, amount: float | None = None,
    most_values: int = MOST_VALUES, power: float = POWER, both_builds: bool = False,
) -> Plan:  # fmt: skip
    """What `planned` values of the new revision would show.

    Parameters and errors as `Plan` has them, but `amount`: the change to tell, on the model's scale; the smallest that
    matters if left out.
    """
    wanted = measure.band if amount is None else amount
    return Plan(basis, measure, planned, error, wanted, most_values, power, both_builds)


def chance_to_tell(basis: Basis, difference: float, values: int, error: float) -> float:
    """Chance that a true difference of this size is shown, the right way, by this many values of the new revision."""
    from scipy import special

    spread, half = _spread_and_half_width(basis, values, error)
    return float(special.ndtr((difference - half) / spread).mean())


def chance_of_none(basis: Basis, band: float, values: int, error: float) -> float:
    """Chance that the interval lies within the band where there is no difference at all."""
    from scipy import special

    spread, half = _spread_and_half_width(basis, values, error)
    within = 2.0 * special.ndtr((band - half) / spread) - 1.0
    return float(np.maximum(within, 0.0).mean())


def detectable_change(basis: Basis, values: int, error: float, power: float = POWER) -> float | None:
    """The difference that is shown with this chance; None where the other revision has no value yet."""
    from scipy import optimize, special

    if not basis.against_weight > 0:
        return None
    spread, half = _spread_and_half_width(basis, values, error)
    spread = np.broadcast_to(spread, half.shape)

    def lacking(difference: float) -> float:
        return float(special.ndtr((difference - half) / spread).mean()) - power

    high = basis.spread
    while lacking(high) < 0:
        high *= 2
    return float(optimize.brentq(lacking, 0.0, high, xtol=1e-4 * high))


def _fewest(chance: Callable[[int], float], most_values: int, power: float) -> int | None:
    """The fewest values with this power: more values never show less."""
    if chance(most_values) < power:
        return None
    low, high = LEAST_VALUES - 1, most_values
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if chance(middle) >= power else (middle, high)
    return high


def _spread_and_half_width(basis: Basis, values: int, error: float) -> tuple[Floats, Floats]:
    """Standard deviation of the difference, and half-width of the deciding interval, over all spreads.

    Looks before the last one bring hardly less than they cost, so the last interval is taken as that of a single
    look; the simulations hold plans to what they say.
    """
    from scipy import special

    if not basis.against_weight > 0:
        return np.ones((1, 1)), np.full((1, 1), np.inf)
    further = max(values - basis.values, 0)
    gained = further if basis.values else further - 1
    freedom = basis.degrees_of_freedom + gained
    factor = basis.inflation * (1.0 / (basis.weight * values) + 1.0 / basis.against_weight)
    true = (basis.variance / _chi_square_ratios(basis.degrees_of_freedom, _SPREADS))[:, None]
    added = true * gained * _chi_square_ratios(gained, _OWN_SPREADS) if gained > 0 else np.zeros((_SPREADS, 1))
    pooled = (basis.degrees_of_freedom * basis.variance + added) / freedom
    earlier = max(basis.values - 1, 0)
    own = (earlier * basis.own_variance + added) / max(1, earlier + gained)
    tail = PLAN_SHARE * error / 2.0
    half = -special.stdtrit(freedom, tail) * np.sqrt(np.maximum(pooled, own) * factor)
    return np.sqrt(true * factor), half


@lru_cache(maxsize=1024)
def _chi_square_ratios(freedom: int, many: int) -> Floats:
    """Estimated over true variance, at so many equally likely places."""
    from scipy import special

    shares = (np.arange(many) + 0.5) / many
    ratios: Floats = 2.0 * special.gammaincinv(freedom / 2.0, shares) / freedom
    return ratios


def _offers(basis: Basis, measure: Measure, planned: int, error: float, power: float) -> tuple[Offer, ...]:
    """Each with the change that it would tell, where that is less than without."""
    tells = detectable_change(basis, planned, error, power)
    passes = 2.0 * basis.passes
    ways = {
        OfferKind.BOTH_BUILDS: basis.with_both(planned),
        OfferKind.MORE_PASSES: replace(basis, weight=passes / (passes + PASSES_AS_GOOD_AS_ONE_DAY)),
        OfferKind.STEADIER: replace(
            basis, inflation=1.0, degrees_of_freedom=basis.degrees_of_freedom + basis.conditions
        ),
    }
    offers = []
    for kind, changed in ways.items():
        detectable = detectable_change(changed, planned, error, power)
        if detectable is not None and (tells is None or detectable < WORTH_OFFERING * tells):
            offers.append(Offer(kind, measure.shown(detectable)))
    return tuple(offers)
