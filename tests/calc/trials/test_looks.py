"""Looks, bounds and decisions."""

import numpy as np
import pytest
from scipy import special

from calc.comparison import spending_bounds
from calc.trials.answers import Answer, Expectation
from calc.trials.looks import LATER_SHARE, PLAN_SHARE, Question, decide_questions, tail_at
from tests.calc.trials.logs import NAN, log_of, season_log

STEADY = [10.0, 10.2, 9.9, 10.1, 10.05, 9.95]


def days(number, first_day, factor=1.0, many=6):
    return [(number, first_day + n, factor * STEADY[n % 6], "snow", 0.0) for n in range(many)]


def decided(log, *questions, error=0.05):
    return [course for _, course in decide_questions({"mean_gate_speed": log}, questions, error).values()]


def question(**changes):
    return Question(**{"measure": "mean_gate_speed", "revision": 1, "against": 0} | changes)


def test_looks_are_made_from_the_fourth_value_on():
    (course,) = decided(log_of([*days(0, 0), *days(1, 6)]), question())
    assert [look.contrast.values for look in course.looks] == [4, 5, 6]
    assert [look.information for look in course.looks] == pytest.approx([4 / 6, 5 / 6, 1.0])


def test_bounds_are_those_of_the_spending_function():
    (course,) = decided(log_of([*days(0, 0), *days(1, 6)]), question())
    bounds = spending_bounds([4 / 6, 5 / 6, 1.0], PLAN_SHARE * 0.05)
    for many in (1, 2, 3):
        assert tail_at(course.looks[:many], 0.05) == pytest.approx(special.ndtr(-bounds[many - 1]))


def test_the_interval_decides_by_student_at_the_level_of_the_look():
    (course,) = decided(log_of([*days(0, 0), *days(1, 6)]), question())
    for decision in course.decisions:
        fit = decision.look.contrast
        half = (decision.interval.upper - decision.interval.lower) / 2
        variance = max(fit.pooled_variance, fit.own_variance) * fit.variance_factor
        level = 1 - 2 * special.stdtr(fit.degrees_of_freedom, -half / np.sqrt(variance))
        assert level == pytest.approx(decision.interval.confidence)


def test_a_clear_change_is_decided_and_the_decision_is_kept():
    log = log_of([*days(0, 0), *days(1, 6, 1.1, many=4), *days(1, 10, 0.8, many=2)])
    (course,) = decided(log, question())
    assert course.decision is not None
    assert course.decision.answer is Answer.HIGHER
    assert course.decision.look.day == 9
    assert course.latest.answer is Answer.NOT_YET_KNOWN


def test_three_values_claim_nothing_however_clear():
    (course,) = decided(log_of([*days(0, 0), *days(1, 6, 2.0, many=3)]), question())
    assert course.looks == []
    assert course.decision is None


def test_too_few_degrees_of_freedom_claim_nothing():
    random = np.random.default_rng(1)
    rows = [(0, 0, 10.0, "snow", 1.0), (0, 1, 10.1, "clear ice", 2.0)]
    rows += [(1, 2 + n, 20 + n / 10, ("snow", "clear ice")[n % 2], random.normal()) for n in range(4)]
    (course,) = decided(log_of(rows), question())
    # Six values, two revisions, a surface and a temperature: two degrees of freedom.
    assert course.looks == []


def test_what_is_ridden_between_looks_waits_for_the_next_value():
    log = log_of([*days(0, 0), *days(1, 6, 1.05, many=4), *days(0, 10, 0.5, many=3)])
    (course,) = decided(log, question())
    assert [look.day for look in course.looks] == [9]


def test_after_the_plan_values_of_either_revision_are_looked_at():
    log = log_of([*days(0, 0), *days(1, 6, 1.01), *days(0, 12, many=2), *days(1, 14, many=1)])
    (course,) = decided(log, question())
    assert [look.information for look in course.looks] == pytest.approx([4 / 6, 5 / 6, 1, 7 / 6, 8 / 6, 9 / 6])
    confidence = [decision.interval.confidence for decision in course.decisions]
    assert confidence[3] > confidence[2]


def test_looks_end_when_the_error_is_spent():
    log = log_of([*days(0, 0), *days(1, 6, 1.01, many=24)])
    (course,) = decided(log, question())
    assert course.looks[-1].information == pytest.approx(3.0)


def test_an_earlier_page_follows_from_its_rows_alone():
    for seed in range(20):
        log = season_log(np.random.default_rng(seed), change=0.04)
        (whole,) = decided(log, question(revision=2, against=1))
        for rows in range(13, 19):
            (then,) = decided(log.up_to(rows), question(revision=2, against=1))
            assert len(then.decisions) == max(0, rows - 15)
            for now, before in zip(whole.decisions, then.decisions, strict=False):
                assert now.answer is before.answer
                assert now.interval.lower == pytest.approx(before.interval.lower)


def test_nor_does_it_change_where_conditions_are_missing_or_of_one_revision_only():
    looks = 0
    for seed in range(30):
        random, rows = np.random.default_rng(seed), []
        for day in range(26):
            number = min(day // 8, 2)
            surface = ("clear ice", "snow", "slush", None)[random.choice(4, p=[0.5, 0.3, 0.1, 0.1])]
            temperature = NAN if random.uniform() < 0.3 else random.normal(-8, 5)
            rows.append((number, day, 10 * np.exp(0.03 * random.standard_normal()), surface, temperature))
        log, asked = log_of(rows), question(revision=2, against=1)
        (whole,) = decided(log, asked)
        for until in range(20, 26):
            (then,) = decided(log.up_to(until), asked)
            assert [decision.look.day for decision in then.decisions] == [
                decision.look.day for decision in whole.decisions if decision.look.day < until
            ]
            for now, before in zip(whole.decisions, then.decisions, strict=False):
                assert now.interval.lower == pytest.approx(before.interval.lower)
                assert now.interval.confidence == before.interval.confidence
                looks += 1
    assert looks > 200


def test_what_differs_leaves_its_error_to_the_others():
    clear, open_question = question(), question(revision=2, against=1)
    log = log_of([*days(0, 0), *days(1, 6, 1.2), *days(2, 12, 1.21)])
    first, second = decided(log, clear, open_question)
    assert first.decision.answer is Answer.HIGHER
    assert (first.error, second.error) == (0.025, 0.05)


def test_what_is_shown_not_to_differ_keeps_its_error():
    alike, open_question = question(), question(revision=2, against=1)
    tight = [(0, n, 10 + 0.001 * n, "snow", 0.0) for n in range(6)] + [
        (1, 6 + n, 10 + 0.001 * n, "snow", 0.0) for n in range(6)
    ]
    log = log_of([*tight, *[(2, 12 + n, 10 + n / 10, "snow", 0.0) for n in range(4)]])
    first, second = decided(log, alike, open_question)
    assert first.decision.answer is Answer.NO_DIFFERENCE
    assert second.error == 0.025


def test_a_question_asked_again_counts_only_what_was_ridden_since():
    log = log_of([*days(0, 0), *days(1, 6, 1.2), *days(1, 12, 1.0)])
    (course,) = decided(log, question(opened_on=12))
    assert [look.day for look in course.looks] == [15, 16, 17]
    assert abs(course.latest.look.contrast.difference) < 1e-9


def test_one_difference_asked_by_two_modifications_is_one_question():
    log = log_of([*days(0, 0), *days(1, 6)])
    asked = [question(), question(expectation=Expectation(1, 0.05)), question(expectation=Expectation(-1))]
    (course,) = decided(log, *asked)
    assert course.error == 0.05


def test_sessions_without_a_value_are_no_looks():
    log = log_of([*days(0, 0), *days(1, 6), (1, 12, NAN, "snow", 0.0)])
    (course,) = decided(log, question())
    assert len(course.looks) == 3


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: question(planned=3), "at least 4"),
        (lambda: question(against=1), "two different"),
        (lambda: decided(log_of(days(0, 0)), question(revision=7)), "revision must be"),
        (lambda: decided(log_of(days(0, 0)), question(measure="range")), "no columns for range"),
        (lambda: decided(log_of(days(0, 0)), question(), error=1.0), "error must be"),
    ],
)
def test_what_cannot_be_asked_is_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()


def test_a_question_that_arrives_later_takes_nothing_back():
    log = log_of([*days(0, 0), *days(1, 6, 1.02, many=4)])
    (alone,) = decided(log, question())
    course, *late = decided(log, question(), *(question(revision=0, against=1, arrives=day) for day in (20, 21, 22)))
    assert course.latest == alone.latest
    # The sum over all of them, however many, is LATER_SHARE of the page's error.
    assert [each.error for each in late] == pytest.approx([0.05 * 0.15, 0.05 * 0.05, 0.05 * 0.025])
    assert sum(LATER_SHARE / (place * (place + 1)) for place in range(1, 10_000)) == pytest.approx(0.3, abs=1e-4)


def test_what_was_decided_before_leaves_its_part_to_a_question_that_arrives():
    log = log_of([*days(0, 0), *days(1, 6, 1.1, many=4)])
    (alone,) = decided(log, question())
    course, late = decided(log, question(), question(revision=0, against=1, arrives=20))
    assert course.decision == alone.decision
    assert course.decision.answer is Answer.HIGHER
    assert late.error == pytest.approx(0.05 + 0.05 * 0.15)
