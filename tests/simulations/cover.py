"""Whether the shown ± holds: sessions of different evidence, with drawn errors of their instruments."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import partial

from tests.reference.cover import within
from tests.reference.drawn_sessions import SCENARIOS, Scenario
from tests.simulations.tables import Rate, Row, Spread, table

AT_ONCE = 2000
DRAWS_PER_TRIAL = 200
LEAST, MOST = 0.93, 0.97
FEWEST = 0.95
"""The least share of the draws for which a result must be shown at all."""


def rates_of(drawn: Scenario, counts: Iterable[dict[str, tuple[int, int]]]) -> list[Rate]:
    """The cover of each result: 93 to 97 %, or at least 93 % where more is meant."""
    rows = list(counts)
    rates = []
    for key in (*drawn.held, *drawn.careful):
        inside, shown = (sum(row[key][part] for row in rows) for part in (0, 1))
        what = f"{key} (careful: {drawn.careful[key]})" if key in drawn.careful else key
        rates.append(Rate(what, inside, shown, least=LEAST, most=1.0 if key in drawn.careful else MOST))
    return rates


def _drawn(place: int, seed: int) -> dict[str, tuple[int, int]]:
    return within(SCENARIOS[place], seed, AT_ONCE)


@table("cover")
def cover(trials: int, spread: Spread) -> Iterator[Row]:
    """Sessions with true values and drawn errors: how often twice the shown uncertainty holds; 200 draws a trial."""
    seeds = range(max(1, trials * DRAWS_PER_TRIAL // AT_ONCE))
    for place, drawn in enumerate(SCENARIOS):
        yield drawn.name, rates_of(drawn, spread(partial(_drawn, place), seeds))
