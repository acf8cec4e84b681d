"""Did the change help? What compare pages claim in seasons whose truth is known."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from scipy import special

from calc.comparison import holm
from calc.trials.answers import Answer, Expectation
from calc.trials.looks import LEAST_VALUES, Look, QuestionData, interval_beyond, standard_error
from calc.trials.plan import Plan, basis_of, plan
from tests.simulations.pages import (
    ERROR,
    MEASURES,
    SPEED,
    page_after_every_outing,
    page_columns,
    questions_of,
    truth_of,
)
from tests.simulations.seasons import (
    NO_EFFECT,
    ORDINARY_HABITS,
    ORDINARY_SCATTER,
    ORDINARY_WEATHER,
    Effect,
    Habits,
    Scatter,
    Season,
    Weather,
    draw,
    first_sessions,
)
from tests.simulations.tables import Rate, Row, Spread, table


@dataclass(frozen=True)
class Setting:
    """How a row's seasons are drawn, and how many values a question plans for."""

    weather: Weather = ORDINARY_WEATHER
    habits: Habits = ORDINARY_HABITS
    scatter: Scatter = ORDINARY_SCATTER
    effect: Effect = NO_EFFECT
    planned: int = 6

    def season(self, seed: int) -> Season:
        return draw(np.random.default_rng(seed), self.weather, self.habits, self.scatter, self.effect)


DRIFT = Weather(temperature_sd_k=3.0, temperature_drift_k=-14.0)
LATE_SNOW = Weather(surfaces=(0.8, 0.15, 0.05), surfaces_late=(0.1, 0.3, 0.6))
SIX_EACH = Habits(revisions=(4,), sessions=(6,), newest_sessions=(6,))
EIGHT_REVISIONS = replace(SIX_EACH, revisions=(8,))
TWELVE_REVISIONS = Habits(revisions=(10, 11, 12))
PRECISE = Scatter(session_sd=0.008, pass_sd=0.004, energy_sd=0.012)
DAYS = Scatter(day_sd=0.02, session_sd=0.022, energy_sd=0.035)
BOTH_BUILDS = Habits(shared_days=0.5, earlier_shared_days=0.3)

NOTHING_CHANGES = {
    "2 to 12 revisions, 1 to 8 sessions, 2 to 10 passes": Setting(),
    "4 revisions, 6 sessions each": Setting(habits=SIX_EACH),
    "10 to 12 revisions": Setting(habits=TWELVE_REVISIONS),
    "2 revisions, 4 to 8 sessions each": Setting(habits=Habits(revisions=(2,), sessions=(4, 5, 6, 7, 8))),
    "air 14 K colder over the season": Setting(weather=DRIFT),
    "air 14 K colder, 4 revisions, 6 sessions each": Setting(weather=DRIFT, habits=SIX_EACH),
    "air 14 K colder, speed bends 1 % over 7 K": Setting(weather=replace(DRIFT, bend_per_k2=0.0002)),
    "air 14 K colder, thermometer scatters 2 K": Setting(weather=replace(DRIFT, thermometer_sd_k=2.0)),
    "snow comes with the season": Setting(weather=LATE_SNOW),
    "both drift, windy": Setting(weather=replace(LATE_SNOW, temperature_drift_k=-14.0, wind_mps=5.0)),
    "newest mostly at another gate": Setting(weather=Weather(gate_2=0.2, gate_2_newest=0.7)),
    "newest always at another gate": Setting(weather=Weather(gate_2=0.0, gate_2_newest=1.0)),
    "windy, passes out and back by chance": Setting(weather=Weather(wind_mps=5.0), habits=Habits(both_ways=False)),
    "ten passes against two": Setting(habits=Habits(passes=(2,), newest_passes=(10,))),
    "two passes against ten, passes scatter 5 %": Setting(
        habits=Habits(passes=(10,), newest_passes=(2,)), scatter=Scatter(pass_sd=0.05)
    ),
    "days differ, some with both builds": Setting(habits=BOTH_BUILDS, scatter=DAYS),
    "days differ, two outings on half of them": Setting(habits=Habits(second_outing=0.5), scatter=DAYS),
    "heavy tails": Setting(scatter=Scatter(heavy_tails=True)),
    "one value in twenty far out": Setting(scatter=Scatter(outliers=0.05)),
    "20 precise values planned": Setting(
        habits=Habits(sessions=(8, 16), newest_sessions=(20,)), scatter=PRECISE, planned=20
    ),
    "plan of 6 overrun to 16": Setting(habits=Habits(sessions=(6, 8), newest_sessions=(16,))),
    "newest scatters 1.5 times as much": Setting(scatter=Scatter(newest_times=1.5)),
    "newest scatters 2 times as much": Setting(scatter=Scatter(newest_times=2.0)),
}
MOST_FALSE = {"newest scatters 1.5 times as much": 0.07, "newest scatters 2 times as much": 0.10}


@dataclass(frozen=True)
class Seen:
    """One season's page: any false claim, and of the speed whether the intervals cover the truth."""

    false_claim: bool
    ledger_covers: bool | None
    deciding_covers: bool | None
    deciding_level: float


def see(setting: Setting, seed: int) -> Seen:
    season = setting.season(seed)
    page = page_after_every_outing(season, setting.planned)
    truth = truth_of(season, SPEED)
    today = page.data[SPEED].today()
    ledger = deciding = None
    level = 0.0
    if today.can_decide:
        interval = interval_beyond(today.contrast, 0.025)
        ledger = interval.lower <= truth <= interval.upper
    latest = page.courses[SPEED].latest
    if latest is not None:
        interval = latest.interval
        deciding, level = interval.lower <= truth <= interval.upper, interval.confidence
    return Seen(page.false_claim(), ledger, deciding, level)


def false_claims(name: str, setting: Setting, trials: int, spread: Spread) -> Row:
    pages = list(spread(partial(see, setting), range(trials)))
    ledger = [page.ledger_covers for page in pages if page.ledger_covers is not None]
    deciding = [page for page in pages if page.deciding_covers is not None]
    most_false = MOST_FALSE.get(name, ERROR)
    # Where more false claims are allowed, as much more may lie outside the interval.
    outside = float(np.mean([1.0 - page.deciding_level for page in deciding])) * most_false / ERROR if deciding else 1.0
    return name, [
        Rate("false", sum(page.false_claim for page in pages), trials, most=most_false),
        Rate("95 % covers", sum(ledger), len(ledger), 0.93, 0.97),
        Rate("deciding covers", sum(bool(page.deciding_covers) for page in deciding), len(deciding), 1.0 - outside),
    ]


@table("nothing changes")
def nothing_changes(trials: int, spread: Spread) -> Iterator[Row]:
    """Any false claim on the newest revision's page, opened after every outing; three measures."""
    for name, setting in NOTHING_CHANGES.items():
        yield false_claims(name, setting, trials, spread)


SPEED_5, SPEED_8 = Effect(speed=0.05), Effect(speed=0.08)
CALM = Weather(wind_mps=0.0, thermometer_sd_k=0.0)
SAME_PASSES = Scatter(pass_sd=1e-6)
CHANGES = {
    "+5 %, spread 3 % in all, calm": Setting(CALM, SIX_EACH, SAME_PASSES, SPEED_5),
    "+5 %, 4 revisions, 6 sessions each": Setting(habits=SIX_EACH, effect=SPEED_5),
    "+5 %, air 14 K colder": Setting(weather=DRIFT, habits=SIX_EACH, effect=SPEED_5),
    "+5 %, 8 revisions": Setting(habits=EIGHT_REVISIONS, effect=SPEED_5),
    "+8 %, 4 revisions": Setting(habits=SIX_EACH, effect=SPEED_8),
    "+8 %, air 14 K colder": Setting(weather=DRIFT, habits=SIX_EACH, effect=SPEED_8),
    "+8 %, 8 revisions": Setting(habits=EIGHT_REVISIONS, effect=SPEED_8),
    "+5 %, both builds each day, days differ": Setting(
        habits=replace(SIX_EACH, shared_days=1.0), scatter=DAYS, effect=SPEED_5
    ),
    "+5 % speed and −8 % energy": Setting(habits=SIX_EACH, effect=Effect(speed=0.05, energy=-0.08)),
}
"""Seasons with six values each: a plan that is not ridden to its end cannot tell as much as one without looks."""


@dataclass(frozen=True)
class Claim:
    is_claimed: bool
    without_looks: bool
    false_claim: bool


def tell(setting: Setting, seed: int) -> Claim:
    season = setting.season(seed)
    page = page_after_every_outing(season, setting.planned)
    fits = {key: data.today() for key, data in page.data.items()}
    adjusted = dict(zip(fits, holm([_p_value(look) for look in fits.values()]), strict=True))
    right_way = fits[SPEED].can_decide and fits[SPEED].contrast.difference > 0
    return Claim(Answer.HIGHER in page.claimed[SPEED], right_way and adjusted[SPEED] <= ERROR, page.false_claim())


def _p_value(look: Look) -> float:
    if not look.can_decide:
        return 1.0
    fit = look.contrast
    return 2.0 * float(special.stdtr(fit.degrees_of_freedom, -abs(fit.difference) / standard_error(fit)))


@table("true changes")
def true_changes(trials: int, spread: Spread) -> Iterator[Row]:
    """A true change of the speed, told at any look; and by Holm's procedure without looks from the same data."""
    for name, setting in CHANGES.items():
        pages = list(spread(partial(tell, setting), range(trials)))
        without = sum(page.without_looks for page in pages)
        lost = sum(page.without_looks and not page.is_claimed for page in pages)
        gained = sum(page.is_claimed and not page.without_looks for page in pages)
        yield (
            name,
            [
                Rate("told", sum(page.is_claimed for page in pages), trials),
                Rate("Holm without looks", without, trials),
                # Both from the same seasons, so what counts is how often they differ.
                Rate("lost by looking, net", max(0, lost - gained), trials, most=0.03),
                Rate("false", sum(page.false_claim for page in pages), trials, most=ERROR),
            ],
        )


LONG_SEASON = Habits(revisions=(3, 4, 5, 6, 7, 8), sessions=(8,), newest_sessions=(41,))
PLANS = {
    "+5 %": Setting(habits=LONG_SEASON, effect=SPEED_5),
    "+8 %": Setting(habits=LONG_SEASON, effect=SPEED_8),
    "+5 %, small spread": Setting(habits=LONG_SEASON, scatter=Scatter(session_sd=0.02), effect=SPEED_5),
    "+8 %, air 14 K colder": Setting(weather=DRIFT, habits=LONG_SEASON, effect=SPEED_8),
    "+8 %, heavy tails": Setting(habits=LONG_SEASON, scatter=Scatter(heavy_tails=True), effect=SPEED_8),
}
MOST_WITH_FEWER = {"+8 %, heavy tails": 1.0}
"""Most days scatter less than their standard deviation then; a plan asks for more days than they need."""


def plan_before(season: Season, planned: int, amount: float) -> Plan | None:
    """The plan for the speed as it stands before the newest revision's first session."""
    data = QuestionData(page_columns(first_sessions(season, _ridden_before(season)))[SPEED], questions_of(season)[0])
    basis = basis_of(data, data.today())
    if basis is None:
        return None
    measure = MEASURES[SPEED]
    expected = Expectation(1, amount).change(measure)
    return plan(basis, measure, planned, ERROR / len(MEASURES), expected)


def _ridden_before(season: Season) -> int:
    return int((season.revision < season.revisions - 1).sum())


def _shows_change(season: Season, values: int) -> bool:
    """Whether so many days of the newest revision tell the change of its speed, as planned."""
    page = page_after_every_outing(first_sessions(season, _ridden_before(season) + values), values)
    return Answer.HIGHER in page.claimed[SPEED]


@dataclass(frozen=True)
class Promise:
    """values: how many days the plan says would tell the change; None where no season holds them."""

    values: int | None
    kept: bool = False
    kept_with_fewer: bool = False


def promise(setting: Setting, seed: int) -> Promise:
    """Ride as many days as the plan says, and one fewer, each with that plan."""
    season = setting.season(seed)
    before = plan_before(season, setting.planned, setting.effect.speed)
    values = before.values_to_tell if before is not None else None
    if values is None:
        return Promise(None)
    return Promise(values, _shows_change(season, values), values > LEAST_VALUES and _shows_change(season, values - 1))


def change_promised(setting: Setting, seed: int) -> bool | None:
    """Whether the change that the plan says would be told by the planned values is told by them."""
    before = plan_before(setting.season(seed), setting.planned, 0.05)
    if before is None or before.tells is None:
        return None
    return _shows_change(replace(setting, effect=Effect(speed=before.tells)).season(seed), setting.planned)


def none_promised(setting: Setting, seed: int) -> tuple[float, bool] | None:
    """The chance to show that no difference matters, where there is none, and whether that is shown."""
    season = setting.season(seed)
    before = plan_before(season, setting.planned, 0.05)
    if before is None:
        return None
    page = page_after_every_outing(first_sessions(season, _ridden_before(season) + setting.planned), setting.planned)
    return before.chance_of_none, Answer.NO_DIFFERENCE in page.claimed[SPEED]


@table("plans")
def plans(trials: int, spread: Spread) -> Iterator[Row]:
    """Whether plans keep what they say: days that tell a change, the change that six days tell."""
    for name, setting in PLANS.items():
        promises = list(spread(partial(promise, setting), range(trials)))
        given = [item for item in promises if item.values is not None]
        more = [item for item in given if item.values > LEAST_VALUES]
        middle = f"{np.median([item.values for item in given]):.0f} days in the middle" if given else "no number"
        yield (
            f"{name}: {middle}",
            [
                Rate("a number is given", len(given), trials),
                Rate("it tells", sum(item.kept for item in given), len(given), least=0.75),
                Rate(
                    "one fewer",
                    sum(item.kept_with_fewer for item in more),
                    len(more),
                    most=MOST_WITH_FEWER.get(name, 0.85),
                ),
            ],
        )
    for name, setting in {
        "six days": PLANS["+5 %"],
        "six days, air 14 K colder": PLANS["+8 %, air 14 K colder"],
    }.items():
        kept = [item for item in spread(partial(change_promised, setting), range(trials)) if item is not None]
        yield f"the change that {name} tell", [Rate("told", sum(kept), len(kept), 0.75, 0.85)]
    setting = Setting(habits=LONG_SEASON, scatter=Scatter(session_sd=0.012, pass_sd=0.01), planned=14)
    shown = [item for item in spread(partial(none_promised, setting), range(trials)) if item is not None]
    promised = float(np.mean([chance for chance, _ in shown]))
    yield (
        f"no difference that matters, promised in {100 * promised:.1f} %",
        [Rate("shown", sum(kept for _, kept in shown), len(shown), least=promised - 0.05)],
    )
