"""Which sessions count, and what a day's value is."""

import numpy as np
import pytest

from calc.trials.columns import Columns, Factor
from calc.trials.days import Selector, day_values
from tests.calc.trials.logs import NAN, log_of


def select(log, new=1, old=0):
    return Selector(log, new, old).at(len(log.day))


def test_sessions_of_one_revision_on_one_day_are_one_value():
    log = log_of(
        [(0, 5, 10.0, "snow", -8), (0, 5, 12.0, "snow", -4), (0, 6, 11.0, "snow", -3), (1, 6, 12.0, "snow", -3)]
    )
    days = day_values(log, select(log))
    assert days.day.tolist() == [5, 6, 6]
    assert np.exp(days.value[0]) == pytest.approx(np.sqrt(120))
    assert days.row.tolist() == [0, 0, 1, 2]


def test_a_day_on_two_surfaces_stands_between_them():
    log = log_of(
        [(0, 0, 10.0, "snow", 0), (0, 0, 12.0, "clear ice", 0), (1, 1, 11.0, "snow", 0), (1, 2, 9.0, "clear ice", 0)]
    )
    surface = day_values(log, select(log)).conditions[:, 0]
    assert surface.tolist() == [0.5, 1.0, 0.0]


def test_more_passes_weigh_more_but_never_more_than_a_day():
    log = log_of([(0, 0, 10.0, "snow", 0), (1, 1, 10.0, "snow", 0)], passes=np.array([1.0, 9.0]))
    assert day_values(log, select(log)).weight.tolist() == [0.5, 0.9]


def test_a_session_that_lacks_a_condition_is_left_out():
    log = log_of([(0, 0, 10.0, "snow", -1), (0, 1, 10.0, None, -2), (0, 2, 10.0, "snow", -2), (1, 3, 10.0, "snow", -3)])
    assert select(log).used == (True, True)
    assert day_values(log, select(log)).day.tolist() == [0, 2, 3]


def test_a_condition_that_one_revision_hardly_has_is_not_allowed_for():
    rows = [(0, day, 10.0, "snow", NAN if day else -2) for day in range(4)] + [
        (1, day, 10.0, "snow", -3) for day in (4, 5)
    ]
    log = log_of(rows)
    assert select(log).used == (True, False)
    assert day_values(log, select(log)).day.size == 6


def test_a_surface_of_one_revision_only_is_set_aside_until_another_rides_on_it():
    rows = [(0, 0, 10.0, "snow", 0), (1, 1, 10.0, "slush", 0), (1, 2, 10.0, "snow", 0), (0, 3, 10.0, "slush", 0)]
    selector = Selector(log_of(rows), 1, 0)
    assert selector.at(3).aside == {(0, 2)}
    assert selector.at(4).aside == frozenset()


def test_setting_sessions_aside_goes_on_until_none_stands_alone():
    """Without the session at the lone gate, the other surface is ridden with one revision only."""
    log = log_of([(0, 0, 10.0, "snow", 0), (1, 1, 10.0, "snow", 0), (1, 2, 10.0, "slush", 0), (0, 3, 10.0, "slush", 0)])
    gates = Factor("gate", np.array([0, 0, 0, 1]), ("near", "far"))
    log = Columns(
        log.measure, log.value, log.passes, log.session, log.day, log.revision, log.revisions, (*log.factors, gates)
    )
    assert select(log).aside == {(1, 1), (0, 2)}


def test_with_one_revision_alone_nothing_is_set_aside():
    log = log_of([(0, 0, 10.0, "snow", 0), (0, 1, 10.0, "slush", 0)], revisions=("R1", "R2"))
    assert select(log).aside == frozenset()


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([(0, 1, 10.0, "snow", 0), (0, 0, 10.0, "snow", 0)], "day must not fall"),
        ([(0, 0, -1.0, "snow", 0)], "above 0"),
        ([(0, 0, np.inf, "snow", 0)], "must be a number"),
        ([(-1, 0, 10.0, "snow", 0)], "revision must hold places"),
    ],
)
def test_columns_that_cannot_be_are_refused(rows, words):
    with pytest.raises(ValueError, match=words):
        log_of(rows)
