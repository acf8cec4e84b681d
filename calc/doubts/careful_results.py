"""One session's results where some of its values are in doubt: a guard is never less careful for it.

What says how far one may go is the lower of with and without what is in doubt, or none; a margin is the lower of both,
so that what is in doubt warns all the same; every other result is shown as it is, and says that it rests on a doubt.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from calc.alarms import Alarm
from calc.doubts.consequences import careful_higher, careful_lower
from calc.results import RESULTS, Result
from calc.session_sheet import SessionReport

LOWER_OR_NONE = ("range", "energy_left", "remaining_range", "turn_back_distance", "runtime_left")
"""Nobody is sent on by half of the evidence."""
HIGHER = ("stopping_distance",)
LOWER = (
    "wind_chill",
    "static_stability_factor",
    "tip_over_threshold",
    *(key for key in RESULTS if key.endswith("_margin")),
)
AN_ANSWER = "an answer to what is in doubt above"


@dataclass(frozen=True)
class CarefulReport:
    """What `SessionReport` gives, with what is in doubt taken into account."""

    results: tuple[Result, ...]
    missing: tuple[Result, ...]

    def get(self, key: str) -> Result | None:
        return next((result for result in self.results if result.key == key), None)

    @property
    def alarms(self) -> tuple[Alarm, ...]:
        """Every limit that was passed or nearly reached."""
        return tuple(result.alarm for result in self.results if result.alarm is not None)

    @property
    def in_doubt(self) -> tuple[str, ...]:
        """Labels of the results that rest on a value in doubt, those that are not shown because of it included."""
        withheld = (result.label for result in self.missing if AN_ANSWER in result.needs)
        return (*(result.label for result in self.results if result.doubt), *withheld)


def careful_report(whole: SessionReport, beyond: SessionReport) -> CarefulReport:
    """Put two reports of one session together.

    Parameters
    ----------
    whole: with everything that was noted.
    beyond: with unknown values in place of those in doubt.
    """
    of_whole, of_beyond = _by_key(whole.results), _by_key(beyond.results)
    shown: list[Result] = []
    withheld: list[Result] = []
    for key in [key for key in RESULTS if key in of_whole or key in of_beyond]:
        with_doubtful, without = of_whole.get(key), of_beyond.get(key)
        if with_doubtful and without and _same(with_doubtful, without):
            shown.append(with_doubtful)
            continue
        chosen = _chosen(key, with_doubtful, without)
        if chosen is None:
            withheld.append(Result(key, None, needs=(AN_ANSWER,)))
        else:
            shown.append(replace(chosen, doubt=_words(key, with_doubtful, without)))
    order = {result.key: place for place, result in enumerate((*whole.results, *whole.missing))}
    shown.sort(key=lambda result: order.get(result.key, len(order)))
    given = {result.key for result in (*shown, *withheld)}
    missing = [result for result in whole.missing if result.key not in given]
    return CarefulReport(tuple(shown), (*withheld, *missing))


def _by_key(results: Iterable[Result]) -> dict[str, Result]:
    return {result.key: result for result in results}


def _same(first: Result, other: Result) -> bool:
    return first.value == other.value and first.u == other.u


def _chosen(key: str, with_doubtful: Result | None, without: Result | None) -> Result | None:
    """The one of both that is shown; None where none may be."""
    values = [np.nan if result is None else result.value for result in (with_doubtful, without)]
    if key in LOWER_OR_NONE:
        careful = careful_lower(*values)
    elif key in LOWER:
        careful = -careful_higher(*(-np.asarray(values, dtype=np.float64)))
    elif key in HIGHER:
        careful = careful_higher(*values)
    else:
        # Without what is in doubt there may be another value; it is not the one that was noted.
        return with_doubtful
    return next((result for result in (with_doubtful, without) if result is not None and result.value == careful), None)


def _words(key: str, with_doubtful: Result | None, without: Result | None) -> str:
    if key in LOWER_OR_NONE:
        return "The lower of with and without what is in doubt."
    if with_doubtful is None:
        return "Without what is in doubt."
    if without is None:
        return "Rests on a value in doubt."
    if key in LOWER or key in HIGHER:
        return "The more careful of with and without what is in doubt."
    return "Rests on a value in doubt, without which it would be another."
