"""When a question is decided: looks at growing data, under one error for all questions of a page.

The questions of a page share its error as in Holm's procedure: with m of them open, each has the m-th part; one
that is shown to differ leaves its part to the others (Maurer and Bretz, Multiple testing in group sequential trials
using graphical approaches, Statistics in Biopharmaceutical Research 5 (2013) 311–320). One that is shown *not* to
differ keeps its part: the true answers of that kind would otherwise pay for false ones of another.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from calc.repeated_looks import bounds_that_spend, error_spent
from calc.trials.answers import Answer, Expectation, answer_of
from calc.trials.columns import Columns, Measure
from calc.trials.days import DayValues, Selection, Selector, day_values
from calc.trials.model import Contrast, DayModel
from calc.trials.separation import HIGHEST_INFLATION

LEAST_VALUES = 4
"""Fewer values of the new revision claim nothing: its own scatter could not be judged."""
LEAST_DEGREES_OF_FREEDOM = 3
PLANNED_VALUES = 6
PLAN_SHARE = 0.95
"""Part of a question's error that is spent until its plan is reached; the rest is for what is ridden after it, which
could otherwise never decide anything. It costs less than one true change in a hundred."""
LATER_SHARE = 0.3
"""Questions that arrive after the page's own have parts of their own: 0.15, 0.05, 0.025 … of the page's error, 0.3 of
it together however many there are: so many that the simulations of trials asked again stay within the error. What
was asked before has spent its own, and cannot share it any more."""
LAST_INFORMATION = 3.0
"""All is spent when so many times the planned values are there."""


@dataclass(frozen=True)
class Question:
    """One revision against another on one measure.

    planned: values (days) of the revision after which the question should be decided; frozen at its first one.
    opened_on: of the revision, only days from this one on count; for a question that is asked again.
    both_builds: whether the plan has both revisions ridden on each of its days.
    arrives: the day from which it is asked, for one that is asked later than the page's own; they keep their parts of
    the error.
    """

    measure: str
    revision: int
    against: int
    planned: int = PLANNED_VALUES
    expectation: Expectation | None = None
    opened_on: int | None = None
    both_builds: bool = False
    arrives: int | None = None

    def __post_init__(self) -> None:
        if self.planned < LEAST_VALUES:
            raise ValueError(f"planned must be at least {LEAST_VALUES} values, got {self.planned}")
        if self.revision == self.against:
            raise ValueError("a question needs two different revisions")

    @property
    def difference(self) -> Question:
        """The question without what anybody expected: several modifications may ask about one difference."""
        return replace(self, expectation=None)


@dataclass(frozen=True)
class Look:
    """The result of a question after one day. `rows` are the rows of the columns up to that day."""

    day: int
    rows: int
    information: float
    selection: Selection
    contrast: Contrast

    @property
    def can_decide(self) -> bool:
        fit = self.contrast
        return (
            fit.values >= LEAST_VALUES
            and fit.degrees_of_freedom >= LEAST_DEGREES_OF_FREEDOM
            and fit.pooled_variance > 0
            and fit.estimable
            and fit.inflation <= HIGHEST_INFLATION
        )


@dataclass(frozen=True)
class Interval:
    """On the model's scale. confidence: its level; 1 where nothing can be claimed any more."""

    lower: float
    upper: float
    confidence: float


def standard_error(fit: Contrast) -> float:
    """By the larger of the pooled variance and the new revision's own."""
    return math.sqrt(max(fit.pooled_variance, fit.own_variance) * fit.variance_factor)


def interval_beyond(fit: Contrast, tail: float) -> Interval:
    """The interval that leaves out `tail` on either side."""
    from scipy import special

    half = -float(special.stdtrit(fit.degrees_of_freedom, tail)) * standard_error(fit) if tail > 0 else math.inf
    return Interval(fit.difference - half, fit.difference + half, 1.0 - 2.0 * tail)


class QuestionData:
    """One question's columns, with the model at any number of rows."""

    def __init__(self, columns: Columns, question: Question) -> None:
        if question.opened_on is not None:
            columns = _without_earlier(columns, question.revision, question.opened_on)
        self.columns = columns
        self.question = question
        self._selector = Selector(columns, question.revision, question.against)
        self._models: dict[Selection, tuple[DayValues, DayModel]] = {}

    def at(self, day: int) -> Look:
        """All rows up to and with a day."""
        return self._look(*self._until(day), information=0.0)

    def today(self) -> Look:
        """Everything that was ridden."""
        return self.at(int(self.columns.day[-1]) if self.columns.day.size else 0)

    def days_of(self, look: Look) -> DayValues:
        """The values that a look rests on, with those of later days."""
        return self._models[look.selection][0]

    def _until(self, day: int) -> tuple[int, int, Selection]:
        rows = int(np.searchsorted(self.columns.day, day, side="right"))
        chosen = self._selector.at(rows)
        if chosen not in self._models:
            question, known = self.question, self.columns.days
            if chosen not in known:
                known[chosen] = day_values(self.columns, chosen)
            days: DayValues = known[chosen]
            model = DayModel(days, len(self.columns.revisions), question.revision, question.against)
            self._models[chosen] = days, model
        return day, rows, chosen

    def _look(self, day: int, rows: int, chosen: Selection, information: float) -> Look:
        days, model = self._models[chosen]
        return Look(day, rows, information, chosen, model.contrast(days.rows_until(day)))

    def looks(self) -> list[Look]:
        """One for each new value of the new revision; after the plan is reached, for each new value of either.

        The information is the number of these values over the planned one. Rows in between are first looked at
        with the next value, so that looking at the page more often changes nothing.
        """
        columns, question = self.columns, self.question
        has_value = ~np.isnan(columns.value)
        of_new = has_value & (columns.revision == question.revision)
        of_pair = of_new | has_value & (columns.revision == question.against)
        days_of_new = set(columns.day[of_new].tolist())
        looks: list[Look] = []
        most = of_plan = 0
        for day in np.unique(columns.day[of_pair]).tolist():
            if most < question.planned and day not in days_of_new:
                continue
            until = self._until(day)
            new, old = self._models[until[2]][0].counts(day, question.revision, question.against)
            if most < question.planned:
                counted, of_plan = new, old
            else:
                counted = new + old - of_plan
            if counted <= most:
                continue
            most = counted
            information = most / question.planned
            if information > LAST_INFORMATION:
                break
            if new >= LEAST_VALUES:
                looks.append(self._look(*until, information))
        return [look for look in looks if look.can_decide]


def _without_earlier(columns: Columns, revision: int, opened_on: int) -> Columns:
    earlier = (columns.revision == revision) & (columns.day < opened_on)
    return replace(columns, value=np.where(earlier, np.nan, columns.value))


def tail_at(looks: Sequence[Look], error: float) -> float:
    """What the interval of the last of these looks leaves out on either side, for a question with this error."""
    from scipy import special

    information = np.array([look.information for look in looks])
    within = error_spent(information, PLAN_SHARE * error)
    beyond = np.clip((information - 1.0) / (LAST_INFORMATION - 1.0), 0.0, 1.0) * (1.0 - PLAN_SHARE) * error
    return float(special.ndtr(-bounds_that_spend(information, within + beyond)[-1]))


@dataclass(frozen=True)
class Decision:
    """The answer of a look and the interval that gave it."""

    look: Look
    interval: Interval
    answer: Answer

    @property
    def differs(self) -> bool:
        return self.answer in (Answer.HIGHER, Answer.LOWER)


@dataclass
class Course:
    """A question's looks in the order of their days, the decision at each, and what was decided.

    error: the question's part of the page's. decisions: one for each look, by the error it had then.
    """

    question: Question
    measure: Measure
    looks: list[Look]
    error: float = 0.0
    decisions: list[Decision] = field(default_factory=list)
    decision: Decision | None = None

    def look_again(self, looks: int) -> None:
        """What the last of so many looks says at the error of now."""
        look = self.looks[looks - 1]
        interval = interval_beyond(look.contrast, tail_at(self.looks[:looks], self.error))
        self.decisions[looks - 1 :] = [
            Decision(look, interval, answer_of(interval.lower, interval.upper, self.measure))
        ]

    @property
    def latest(self) -> Decision | None:
        return self.decisions[-1] if self.decisions else None


def decide_questions(
    columns: Mapping[str, Columns], questions: Sequence[Question], error: float
) -> dict[Question, tuple[QuestionData, Course]]:
    """Make all looks of all questions under one error; by question without its expectation.

    Parameters and errors as in `calc.trials.results.answer_questions`.
    """
    if not 0 < error < 1:
        raise ValueError(f"error must be between 0 and 1, both excluded, got {error:g}")
    differences = dict.fromkeys(question.difference for question in questions)
    data = {question: QuestionData(_columns_of(question, columns), question) for question in differences}
    courses = {
        question: Course(question, question_data.columns.measure, question_data.looks())
        for question, question_data in data.items()
    }
    _replay(list(courses.values()), error)
    return {question: (data[question], courses[question]) for question in data}


def _columns_of(question: Question, columns: Mapping[str, Columns]) -> Columns:
    if question.measure not in columns:
        raise ValueError(f"there are no columns for {question.measure}; there are {', '.join(columns) or 'none'}")
    known = len(columns[question.measure].revisions)
    for name, place in (("revision", question.revision), ("against", question.against)):
        if not 0 <= place < known:
            raise ValueError(f"{name} must be the place of one of {known} revisions, from 0, got {place}")
    return columns[question.measure]


def _replay(courses: Sequence[Course], error: float) -> None:
    """In the order of the days; the first answer that a question gets is kept."""
    own = [course for course in courses if course.question.arrives is None]
    later = sorted((course for course in courses if course.question.arrives is not None), key=_arrival)
    for course in own:
        course.error = error / len(own)
    for place, course in enumerate(later, start=1):
        course.error = LATER_SHARE * error / (place * (place + 1))
    unclaimed = 0.0
    present = list(own)
    days = {look.day for course in courses for look in course.looks}
    for day in sorted(days | {_arrival(course) for course in later}):
        for course in later:
            if _arrival(course) == day:
                course.error, unclaimed = course.error + unclaimed, 0.0
                present.append(course)
        for course in present:
            looks = sum(look.day <= day for look in course.looks)
            if looks > len(course.decisions):
                course.look_again(looks)
        while differing := _decide(present):
            unclaimed += _release(differing, present)


def _arrival(course: Course) -> int:
    return course.question.arrives or 0


def _release(differing: Sequence[Course], present: Sequence[Course]) -> float:
    """What is shown to differ leaves its part to the others, and keeps the bound that it passed. What nobody takes."""
    released = sum(course.error for course in differing)
    holders = [course for course in present if course.decision is None or not course.decision.differs]
    for course in holders:
        if course.decision is None:
            course.error += released / len(holders)
            if course.decisions:
                course.look_again(len(course.decisions))
    return 0.0 if holders else released


def _decide(courses: Sequence[Course]) -> list[Course]:
    """Decide what the latest looks decide; those that were shown to differ by them."""
    differing = []
    for course in courses:
        latest = course.latest
        if course.decision is None and latest is not None and latest.answer is not Answer.NOT_YET_KNOWN:
            course.decision = latest
            if latest.differs:
                differing.append(course)
    return differing
