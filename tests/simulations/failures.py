"""Failures: how often useless fixes are called good, how often good ones are, and trends that are none.

Every page of a season is read: after each outing the machine is as it was then, with the fixes that it had then.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import NamedTuple

import numpy as np

from calc.exposure_gaps import RideLength, with_estimates
from calc.failure_facts import FailureFacts, FixFacts, Kinds, RideFacts
from calc.failure_state import Loop
from calc.fix_outcomes import outcome_of_fix
from calc.fix_proof import History
from calc.lineage import RevisionFacts
from calc.steady_rate import shape_at_any_look
from calc.trials.answers import Outcome
from tests.simulations.failure_seasons import Habits, Season, draw
from tests.simulations.tables import Rate, Row, Spread, table

PAGE_GOAL = 0.05


class Counts(NamedTuple):
    """Of one season: whether any page said so, and of how many fixes any did, out of those ridden."""

    good_on_a_page: bool
    worse_on_a_page: bool
    fixes_called_good: int
    fixes: int
    trend_on_a_page: bool


def page(season: Season, outings: int) -> Loop:
    """The machine's loop as it stood after so many outings."""
    ridden = season.outings[:outings]
    newest = ridden[-1].revision
    lengths: dict[int, list[RideLength]] = {}
    for outing in ridden:
        metres = None if outing.km is None else 1000.0 * outing.km
        seconds = None if outing.minutes is None else 60.0 * outing.minutes
        lengths.setdefault(outing.revision, []).append(RideLength(metres, seconds))
    rides = [RideFacts(revision, length) for revision, listed in lengths.items() for length in with_estimates(listed)]
    failures = [
        FailureFacts(number, breakage.revision, breakage.mode, number, breakage.cause, outing=breakage.outing)
        for number, breakage in enumerate(season.breakages)
        if breakage.outing < outings
    ]
    of_mode: dict[int, set[int]] = {}
    for failure in failures:
        of_mode.setdefault(failure.mode, set()).add(failure.key)
    fixes = [
        FixFacts((fix.revision, fix.mode), fix.revision, "Fix", frozenset(of_mode.get(fix.mode, ())))
        for fix in season.fixes
        if fix.revision <= newest
    ]
    revisions = [
        RevisionFacts(number, number, parent, was_ridden=number in lengths)
        for number, parent in season.parents.items()
        if number <= newest
    ]
    return Loop(History(revisions, failures, fixes, rides))


def read_season(seed: int, habits: Habits) -> Counts:
    season = draw(np.random.default_rng(seed), habits)
    good: set[object] = set()
    ridden: set[object] = set()
    worse = trend = False
    for outings in range(1, len(season.outings) + 1):
        loop = page(season, outings)
        history = loop.history
        for fix in history.fixes.values():
            kinds = Kinds(history.kinds_of(fix.key).modes, frozenset())
            if not history.is_ridden(fix, kinds):
                continue
            ridden.add(fix.key)
            outcome = outcome_of_fix(loop.prove(fix, kinds), loop.fixes_judged)
            if outcome in (Outcome.AS_EXPECTED, Outcome.LESS_THAN_EXPECTED):
                good.add(fix.key)
            worse |= outcome is Outcome.WORSE
        trend |= _has_trend(season, outings)
    return Counts(bool(good), worse, len(good), len(ridden), trend)


def _has_trend(season: Season, outings: int) -> bool:
    """Whether the page says that failures come more or less often than before; every distance is known."""
    ends = np.cumsum([outing.km or np.nan for outing in season.outings[:outings]])
    came = {(b.outing, b.mode if b.cause is None else b.cause) for b in season.breakages if b.outing < outings}
    if np.isnan(ends).any() or len(came) < 3:
        return False
    # Where in its outing a failure came nobody noted: in the middle, as the pages put it.
    middles = ends - np.diff(ends, prepend=0.0) / 2
    shape = shape_at_any_look(np.sort([middles[outing] for outing, _ in came]), float(ends[-1]))
    return bool(shape.lower > 1 or shape.upper < 1)


USELESS = {
    "five modes, six revisions": Habits(),
    "two modes that often come": Habits(modes=2, per_100_km=8.0),
    "twelve modes that seldom come": Habits(modes=12, per_100_km=1.5),
    "three revisions, long": Habits(revisions=3, outings=(10, 12, 14)),
    "twelve revisions, short": Habits(revisions=12, outings=(1, 2, 3)),
    "all modes equally often": Habits(rate_spread=0.0),
    "modes of very unlike rates": Habits(rate_spread=2.0),
    "every mode fixed at once": Habits(fixes_mode=1.0),
    "branches without the fix": Habits(branch=0.4),
    "a third of distances unnoted": Habits(unnoted=0.33),
    "two thirds of distances unnoted": Habits(unnoted=0.67),
    "clusters of one cause": Habits(clusters=0.4),
    "one mode that often comes, fixed again and again": Habits(modes=1, per_100_km=6.0),
}
USEFUL = {
    "fixes that remove 95 %": Habits(removes=0.95),
    "the same, failures that often come": Habits(removes=0.95, per_100_km=8.0),
    "the same, two long revisions": Habits(removes=0.95, revisions=2, outings=(15, 20), per_100_km=6.0),
}


@table("failures")
def failures(trials: int, spread: Spread) -> Iterator[Row]:
    """Pages of a season, one after each outing; any false answer on any of them counts against the season."""
    for words, habits in USELESS.items():
        counts = list(spread(partial(read_season, habits=habits), range(trials)))
        good = sum(c.good_on_a_page for c in counts)
        rates = [
            Rate("seasons in which a useless fix did what it should", good, trials, most=PAGE_GOAL),
            Rate("made it worse", sum(c.worse_on_a_page for c in counts), trials, most=PAGE_GOAL),
        ]
        if not habits.unnoted:
            rates.append(
                Rate("a trend at a steady rate", sum(c.trend_on_a_page for c in counts), trials, most=PAGE_GOAL)
            )
        yield f"useless fixes, {words}", rates
    for words, habits in USEFUL.items():
        counts = list(spread(partial(read_season, habits=habits), range(trials)))
        fixes = sum(c.fixes for c in counts)
        yield (
            words,
            [
                Rate("seasons in which one is shown", sum(c.good_on_a_page for c in counts), trials),
                Rate("fixes shown", sum(c.fixes_called_good for c in counts), fixes),
                Rate("made it worse", sum(c.worse_on_a_page for c in counts), trials, most=PAGE_GOAL),
            ],
        )
