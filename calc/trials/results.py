"""What is known today of each question of a page, with its words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from calc.trials.answers import Answer, Outcome, outcome_of
from calc.trials.columns import Columns, Measure
from calc.trials.looks import (
    LEAST_DEGREES_OF_FREEDOM,
    LEAST_VALUES,
    Course,
    Decision,
    Interval,
    Look,
    Question,
    QuestionData,
    decide_questions,
    interval_beyond,
    standard_error,
)
from calc.trials.plan import MOST_VALUES, POWER, Plan, basis_of, plan
from calc.trials.separation import (
    LeftOut,
    Pair,
    adjusted_for,
    apart,
    left_out,
    not_allowed_for,
    why_not_separable,
)
from calc.wording import listed

PAGE_ERROR = 0.05
LEDGER_CONFIDENCE = 0.95
MUCH_WIDER = 1.5
"""From this ratio of widths or of scatters on, a page says so (common practice, no source)."""


@dataclass(frozen=True)
class Figures:
    """An estimate with its interval, as people read it: a ratio minus one, or in the measure's unit."""

    change: float
    lower: float
    upper: float
    confidence: float


@dataclass(frozen=True)
class Decided:
    """An answer that was reached, with the figures of that day; the standard error is on the model's scale."""

    day: int
    answer: Answer
    outcome: Outcome | None
    figures: Figures
    standard_error: float
    values: int
    against_values: int


@dataclass(frozen=True)
class Evidence:
    """What a question rests on, from everything ridden so far.

    ledger: the plain interval, None where the values settle no difference. standard_error: on the model's scale.
    values, against_values: days that count; sessions, against_sessions: the sessions in them.
    """

    ledger: Figures | None
    standard_error: float | None
    degrees_of_freedom: int
    values: int
    against_values: int
    sessions: int
    against_sessions: int
    adjusted_for: tuple[str, ...]
    cautions: tuple[str, ...]
    left_out: tuple[LeftOut, ...]


@dataclass(frozen=True)
class Result:
    """What is known of one question; each part is worked out once it is asked for.

    data, course: the question's columns, and what was decided on them. most_values, power: as `answer_questions` has
    them.
    """

    question: Question
    data: QuestionData
    course: Course
    most_values: int
    power: float

    @cached_property
    def answer(self) -> Answer:
        """Today's, by the interval that decides (`figures`)."""
        answer = self._nothing[0] if self._deciding is None else self._deciding.answer
        if answer is Answer.NOT_YET_KNOWN and self.plan is not None and not self.plan.can_be_settled:
            return Answer.NOT_BY_RIDING
        return answer

    @property
    def reason(self) -> str:
        """Why nothing can be claimed, where that is so."""
        return self._nothing[1]

    @cached_property
    def outcome(self) -> Outcome | None:
        """Reads the answer for the modification that asked."""
        if self._deciding is not None:
            return _outcome(self.question, self._deciding, self._measure)
        return Outcome.NOT_YET_KNOWN if self.question.expectation else None

    @cached_property
    def figures(self) -> Figures | None:
        deciding = self._deciding
        return None if deciding is None else _figures(deciding.look, deciding.interval, self._measure)

    @cached_property
    def decided(self) -> Decided | None:
        """The answer that was reached first, if one was."""
        decision = self.course.decision
        return None if decision is None else _decided(self.question, decision, self._measure)

    @property
    def more_values(self) -> int | None:
        """Further days of the revision that would tell the change asked for; None where no season holds them."""
        return _more_values(self._today, self.plan, self.course)

    @cached_property
    def plan(self) -> Plan | None:
        return _plan(self.question, self.data, self._today, self.course, self.most_values, self.power)

    @cached_property
    def evidence(self) -> Evidence:
        return _evidence(self._today, self._pair, self.data)

    @property
    def error(self) -> float:
        """The question's part of the page's error."""
        return self.course.error

    @property
    def _measure(self) -> Measure:
        return self.data.columns.measure

    @cached_property
    def _today(self) -> Look:
        return self.data.today()

    @property
    def _pair(self) -> Pair:
        question = self.question
        return Pair(self.data.columns, self._today.rows, question.revision, question.against, question.opened_on)

    @cached_property
    def _nothing(self) -> tuple[Answer, str]:
        return _why_nothing(self._today, self._pair)

    @property
    def _deciding(self) -> Decision | None:
        return None if self.reason else self.course.latest


def answer_questions(
    columns: Mapping[str, Columns], questions: Sequence[Question], error: float = PAGE_ERROR,
    most_values: int = MOST_VALUES, power: float = POWER,
) -> list[Result]:  # fmt: skip
    """Answer all questions of a page under one error, from the log as it is now.

    The same log gives the same answers, and what an earlier day's page said follows from its rows alone. Which
    questions are asked must not depend on what was measured. Questions about the same difference count once.

    Parameters
    ----------
    columns: of each measure that is asked for.
    questions: of the page.
    error: of all of them together, two-sided, between 0 and 1.
    most_values: days of one revision that no season holds, at least 4.
    power: the chance with which plans are to tell a change, between 0 and 1.

    Returns
    -------
    One result for each question, in their order.

    Raises
    ------
    ValueError: a question names a measure or a revision that the columns do not have, or an argument is out of range.

    Examples
    --------
    >>> speed = Columns(
    ...     Measure("mean_gate_speed", smallest_difference=0.03),
    ...     value=np.array([15.1, 15.3, 14.9, 15.2, 16.4, 16.2, 16.5, 16.3]),
    ...     passes=np.full(8, 6.0),
    ...     session=np.arange(8),
    ...     day=np.arange(8),
    ...     revision=np.repeat([0, 1], 4),
    ...     revisions=("R1", "R2"),
    ... )
    >>> (result,) = answer_questions({"mean_gate_speed": speed}, [Question("mean_gate_speed", revision=1, against=0)])
    >>> result.answer.value, round(result.figures.change, 3)
    ('higher', 0.081)
    """
    courses = decide_questions(columns, questions, error)
    return [Result(question, *courses[question.difference], most_values, power) for question in questions]


def _why_nothing(today: Look, pair: Pair) -> tuple[Answer, str]:
    """Why the values settle nothing, in words; no reason where they could."""
    fit, (new, old) = today.contrast, pair.labels
    for label, revision in ((new, pair.revision), (old, pair.against)):
        if not pair.of(revision).any():
            return Answer.NOT_YET_KNOWN, f"{label} has no value yet."
    if not fit.values or not fit.against_values:
        words = " ".join(apart(pair, today.selection))
        if words:
            return Answer.NOT_SEPARABLE, words
        return Answer.NOT_YET_KNOWN, f"No session of {old if fit.values else new} counts."
    if fit.values < LEAST_VALUES:
        return Answer.NOT_YET_KNOWN, f"{new} has {fit.values} of the {LEAST_VALUES} values that a claim needs."
    if fit.degrees_of_freedom < LEAST_DEGREES_OF_FREEDOM:
        lacking = LEAST_DEGREES_OF_FREEDOM - fit.degrees_of_freedom
        allowed = ["revisions", *adjusted_for(pair, today.selection)]
        return Answer.NOT_YET_KNOWN, (
            f"{fit.all_values} values are too few to allow for {listed(allowed)}; at least {lacking} more are needed."
        )
    if not fit.pooled_variance > 0:
        return Answer.NOT_YET_KNOWN, "The values do not scatter at all, so chance cannot be judged."
    if not today.can_decide:
        return Answer.NOT_SEPARABLE, why_not_separable(pair, today.selection)
    return Answer.NOT_YET_KNOWN, ""


def _plan(
    question: Question, data: QuestionData, today: Look, course: Course, most_values: int, power: float
) -> Plan | None:
    basis = basis_of(data, today)
    if basis is None:
        return None
    if today.contrast.values >= question.planned:
        # The plan is used up: what more would take is a new trial, of fresh values of the revision.
        basis = replace(basis, values=0, own_variance=0.0)
    measure = data.columns.measure
    amount = question.expectation.change(measure) if question.expectation else None
    return plan(
        basis, measure, question.planned, course.error, amount, most_values, power, both_builds=question.both_builds
    )


def _more_values(today: Look, what: Plan | None, course: Course) -> int | None:
    """Days still to ride: within the plan what is left of them, after it those of a new trial."""
    takes = None if what is None else what.days_to_tell if course.question.both_builds else what.values_to_tell
    if takes is None:
        return None
    if today.contrast.values >= course.question.planned:
        return takes
    return max(0, takes - today.contrast.values)


def _evidence(today: Look, pair: Pair, data: QuestionData) -> Evidence:
    fit, columns = today.contrast, pair.columns
    counts = data.days_of(today).row[: today.rows] >= 0
    sessions = [
        np.unique(columns.session[: today.rows][counts & (columns.revision[: today.rows] == revision)]).size
        for revision in (pair.revision, pair.against)
    ]
    ledger = None
    if today.can_decide:
        ledger = _figures(today, interval_beyond(fit, (1 - LEDGER_CONFIDENCE) / 2), columns.measure)
    return Evidence(
        ledger=ledger,
        standard_error=standard_error(fit) if today.can_decide else None,
        degrees_of_freedom=fit.degrees_of_freedom,
        values=fit.values,
        against_values=fit.against_values,
        sessions=sessions[0],
        against_sessions=sessions[1],
        adjusted_for=adjusted_for(pair, today.selection),
        cautions=_cautions(today, pair),
        left_out=left_out(pair, today.selection),
    )


def _cautions(today: Look, pair: Pair) -> tuple[str, ...]:
    fit = today.contrast
    sentences = [*not_allowed_for(pair, today.selection)]
    if today.can_decide:
        sentences += apart(pair, today.selection)
        wider = math.sqrt(fit.inflation)
        if wider >= MUCH_WIDER:
            sentences.append(f"The interval is {wider:.1f} times as wide as it would be under equal conditions.")
        scatter = math.sqrt(fit.own_variance / fit.others_variance) if fit.others_variance else 0.0
        if scatter >= MUCH_WIDER and fit.own_variance > fit.pooled_variance:
            sentences.append(
                f"{pair.labels[0]} scatters {scatter:.1f} times as much as the others; that is allowed for."
            )
    return tuple(sentences)


def _outcome(question: Question, decision: Decision, measure: Measure) -> Outcome | None:
    if question.expectation is None:
        return None
    interval, difference = decision.interval, decision.look.contrast.difference
    return outcome_of(interval.lower, difference, interval.upper, measure, question.expectation)


def _figures(look: Look, interval: Interval, measure: Measure) -> Figures:
    return Figures(
        measure.shown(look.contrast.difference),
        measure.shown(interval.lower),
        measure.shown(interval.upper),
        interval.confidence,
    )


def _decided(question: Question, decision: Decision, measure: Measure) -> Decided:
    fit = decision.look.contrast
    return Decided(
        day=decision.look.day,
        answer=decision.answer,
        outcome=_outcome(question, decision, measure),
        figures=_figures(decision.look, decision.interval, measure),
        standard_error=standard_error(fit),
        values=fit.values,
        against_values=fit.against_values,
    )
