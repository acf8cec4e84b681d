"""Trials as records: questions that are asked again, and plans to ride both builds on one day."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial

import numpy as np

from calc.trials.answers import Answer
from calc.trials.looks import Question, QuestionData, decide_questions
from calc.trials.plan import basis_of, plan
from tests.simulations.pages import ERROR, MEASURES, SPEED, claims, is_false, page_columns, questions_of, truth_of
from tests.simulations.seasons import Effect, Habits, Scatter, Season, first_sessions
from tests.simulations.tables import Rate, Row, Spread, table
from tests.simulations.trials import DAYS, DRIFT, Setting

PLANNED = 6
ASKED_AGAIN = {
    "asked once": (Setting(habits=Habits(sessions=(6,), newest_sessions=(6,))), 1),
    "asked again after six days": (Setting(habits=Habits(sessions=(6,), newest_sessions=(12,))), 2),
    "asked three times": (Setting(habits=Habits(sessions=(6,), newest_sessions=(18,))), 3),
    "asked three times, air 14 K colder": (Setting(DRIFT, Habits(sessions=(6,), newest_sessions=(18,))), 3),
    "asked three times, newest scatters 1.5 times as much": (
        Setting(habits=Habits(sessions=(6,), newest_sessions=(18,)), scatter=Scatter(newest_times=1.5)), 3,
    ),
}  # fmt: skip
MOST_FALSE = {"asked three times, newest scatters 1.5 times as much": 0.07}


def questions_in_turn(season: Season, times: int) -> list[Question]:
    """The page's own questions, and after each six days of the newest revision all of them as new trials."""
    own = questions_of(season, PLANNED)
    days = np.unique(season.day[season.revision == season.revisions - 1])
    begins = [int(days[PLANNED * again]) for again in range(1, times)]
    return own + [replace(question, opened_on=day, arrives=day) for day in begins for question in own]


def false_at_any_time(setting: Setting, times: int, seed: int) -> bool:
    season = setting.season(seed)
    asked = decide_questions(page_columns(season), questions_in_turn(season, times), ERROR)
    return any(
        is_false(answer, truth_of(season, question.measure), MEASURES[question.measure].band)
        for question, (_, course) in asked.items()
        for decision in course.decisions
        for answer in claims(decision, course.measure)
    )


@table("asked again")
def asked_again(trials: int, spread: Spread) -> Iterator[Row]:
    """Nothing changes, and what six days did not settle is asked again as a trial of fresh days: any false claim."""
    for name, (setting, times) in ASKED_AGAIN.items():
        count = sum(spread(partial(false_at_any_time, setting, times), range(trials)))
        yield name, [Rate("false", count, trials, most=MOST_FALSE.get(name, ERROR))]


BOTH = Habits(revisions=(3, 4, 5, 6, 7, 8), sessions=(8,), newest_sessions=(6,), shared_days=1.0)
BOTH_A_DAY = {
    "days differ by 2 %": Setting(habits=BOTH, scatter=DAYS),
    "days differ by 2 %, air 14 K colder": Setting(DRIFT, BOTH, DAYS),
}


def change_promised(setting: Setting, seed: int) -> bool | None:
    """Whether six days with both builds tell the change that their plan says they would."""
    season = setting.season(seed)
    newest = season.revisions - 1
    before = int(np.flatnonzero(season.day >= season.day[season.revision == newest][0])[0])
    question = replace(questions_of(season, PLANNED)[0], both_builds=True)
    data = QuestionData(page_columns(first_sessions(season, before))[SPEED], question)
    basis = basis_of(data, data.today())
    if basis is None:
        return None
    promise = plan(basis, MEASURES[SPEED], PLANNED, ERROR / len(MEASURES), both_builds=True)
    if promise.tells is None:
        return None
    changed = replace(setting, effect=Effect(speed=promise.tells)).season(seed)
    asked = decide_questions(page_columns(changed), questions_of(changed, PLANNED), ERROR)
    course = next(course for each, (_, course) in asked.items() if each.measure == SPEED)
    return any(decision.answer is Answer.HIGHER for decision in course.decisions)


@table("both builds")
def both_builds(trials: int, spread: Spread) -> Iterator[Row]:
    """The change that six days with both builds would tell, by their plan: how often they tell it."""
    for name, setting in BOTH_A_DAY.items():
        kept = [item for item in spread(partial(change_promised, setting), range(trials)) if item is not None]
        yield name, [Rate("told", sum(kept), len(kept), least=0.75)]
