"""What intervals say: the first definition that applies."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc.trials.answers import Answer, Expectation, Outcome, answer_of, outcome_of
from calc.trials.columns import Measure
from tests.calc.trials.logs import SPEED

BAND = SPEED.band


@pytest.mark.parametrize(
    ("lower", "upper", "answer"),
    [
        (0.01, 0.02, Answer.HIGHER),
        (-0.02, -0.01, Answer.LOWER),
        (-0.02, 0.02, Answer.NO_DIFFERENCE),
        (-0.02, 0.04, Answer.NOT_YET_KNOWN),
        (0.0, 0.02, Answer.NO_DIFFERENCE),
        (-BAND, 0.0, Answer.NOT_YET_KNOWN),
        (float("-inf"), float("inf"), Answer.NOT_YET_KNOWN),
    ],
)
def test_answers(lower, upper, answer):
    assert answer_of(lower, upper, SPEED) is answer


@pytest.mark.parametrize(
    ("lower", "estimate", "upper", "outcome"),
    [
        (-0.05, -0.03, -0.01, Outcome.WORSE),
        (-0.02, -0.015, -0.01, Outcome.WORSE),
        (-0.02, 0.0, 0.02, Outcome.NOTHING),
        (0.005, 0.01, 0.02, Outcome.NOTHING),
        (0.01, 0.05, 0.09, Outcome.AS_EXPECTED),
        (0.01, 0.04, 0.07, Outcome.LESS_THAN_EXPECTED),
        (-0.01, 0.04, 0.09, Outcome.NOT_YET_KNOWN),
    ],
)
def test_outcomes_of_a_modification_that_was_to_bring_5_percent(lower, estimate, upper, outcome):
    up = Expectation(1, 0.05)
    assert outcome_of(lower, estimate, upper, SPEED, up) is outcome
    down = Expectation(-1, 0.05)
    assert outcome_of(-upper, -estimate * 1.06, -lower, SPEED, down) is outcome


def test_without_an_amount_the_smallest_that_matters_is_expected():
    up = Expectation(1)
    assert outcome_of(0.01, BAND, 0.09, SPEED, up) is Outcome.AS_EXPECTED
    assert outcome_of(0.01, BAND - 1e-6, 0.09, SPEED, up) is Outcome.LESS_THAN_EXPECTED


def test_5_percent_down_is_a_larger_step_than_5_percent_up():
    assert Expectation(-1, 0.05).change(SPEED) == pytest.approx(0.051293, abs=1e-6)
    assert Expectation(1, 0.05).change(SPEED) == pytest.approx(0.048790, abs=1e-6)
    assert Expectation(-1, 2.0).change(SPEED) > 5


def test_a_measure_that_is_no_ratio_is_read_in_its_unit():
    level = Measure("level", smallest_difference=2.0, ratio=False)
    assert answer_of(-1.5, 1.9, level) is Answer.NO_DIFFERENCE
    assert Expectation(-1, 3.0).change(level) == 3.0
    assert level.shown(1.5) == 1.5


@given(st.floats(-1, 1), st.floats(0, 1), st.floats(0, 1))
def test_every_interval_has_one_answer_and_widening_it_never_makes_it_surer(estimate, below, above):
    narrow = answer_of(estimate - below / 2, estimate + above / 2, SPEED)
    wide = answer_of(estimate - below, estimate + above, SPEED)
    assert wide is narrow or wide is Answer.NOT_YET_KNOWN or narrow in (Answer.HIGHER, Answer.LOWER)
    if wide in (Answer.HIGHER, Answer.LOWER):
        assert narrow is wide


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: Expectation(0), "direction"),
        (lambda: Expectation(1, 0.0), "amount"),
        (lambda: Measure("speed", 0.0), "smallest_difference"),
    ],
)
def test_what_cannot_be_is_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
