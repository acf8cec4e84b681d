"""An invented season as the compare page reads it: columns of three measures, and what is claimed after each outing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calc.trials.answers import Answer, Expectation, Outcome, outcome_of
from calc.trials.columns import (
    SMALLEST_ENERGY_DIFFERENCE,
    SMALLEST_SPEED_DIFFERENCE,
    Columns,
    Covariate,
    Factor,
    Measure,
)
from calc.trials.looks import Course, Decision, Question, QuestionData, decide_questions
from calc.trials.passes import GateValues, Passes, balanced_means, best_of, each_way_kept
from tests.simulations.seasons import Season

SPEED, BEST, ENERGY = "mean_gate_speed", "best_gate_speed", "energy_per_km"
MEASURES = {
    SPEED: Measure(SPEED, SMALLEST_SPEED_DIFFERENCE),
    BEST: Measure(BEST, SMALLEST_SPEED_DIFFERENCE),
    ENERGY: Measure(ENERGY, SMALLEST_ENERGY_DIFFERENCE),
}
SURFACES = ("clear ice", "white ice", "snow")
GATES = ("first gate", "second gate")
ERROR = 0.05


def page_columns(season: Season) -> dict[str, Columns]:
    """What the page reads; the best of passes is asked of as many as were usual when the newest revision began."""
    passes = Passes(season.pass_session, season.pass_gate, season.pass_is_out, season.pass_speed_mps)
    means = balanced_means(passes)
    best = best_of(passes, _usual_each_way(season, means))
    sessions = np.arange(season.revision.size)
    return {
        SPEED: _columns(season, SPEED, means.value, means.passes, means.session, means.gate),
        BEST: _columns(season, BEST, best.value, best.passes, best.session, best.gate),
        ENERGY: _columns(season, ENERGY, season.energy_wh_per_km, np.ones(sessions.size), sessions, None),
    }


def _usual_each_way(season: Season, means: GateValues) -> int:
    of_newest = np.flatnonzero(season.revision == season.revisions - 1)
    last = of_newest[0] if of_newest.size else season.revision.size
    known = means.session <= last
    return each_way_kept(means.out[known], means.back[known])


def _columns(season: Season, key: str, value, passes, session, gate) -> Columns:
    factors = [Factor("surface", season.surface[session], SURFACES)]
    if gate is not None:
        factors.append(Factor("gate", gate, GATES))
    return Columns(
        measure=MEASURES[key],
        value=value,
        passes=passes,
        session=session,
        day=season.day[session],
        revision=season.revision[session],
        revisions=tuple(f"R{number + 1}" for number in range(season.revisions)),
        factors=tuple(factors),
        covariates=(
            Covariate("air temperature", season.temperature_c[session], "colder", "warmer"),
            Covariate("rider", season.rider_kg[session], "lighter", "heavier"),
            Covariate("wind", season.wind_mps[session], "calmer", "windier"),
        ),
    )


def questions_of(season: Season, planned: int = 6) -> list[Question]:
    newest = season.revisions - 1
    return [Question(key, newest, newest - 1, planned) for key in MEASURES]


def truth_of(season: Season, key: str) -> float:
    """The true difference, as the logarithm of a ratio."""
    return float(np.log1p(season.effect.energy if key == ENERGY else season.effect.speed))


@dataclass(frozen=True)
class Page:
    """What a machine's compare page claimed at any look, and what it rests on at the last one."""

    season: Season
    claimed: dict[str, set[Answer]]
    data: dict[str, QuestionData]
    courses: dict[str, Course]

    def false_claim(self) -> bool:
        return any(
            is_false(answer, truth_of(self.season, key), MEASURES[key].band)
            for key in MEASURES
            for answer in self.claimed[key]
        )


def page_after_every_outing(season: Season, planned: int = 6) -> Page:
    """What the page claimed when it was opened after each session from the newest revision's first one on.

    With one outing a day, the last page repeats what all earlier ones said (a test holds it to that), and is read
    once. With several, it is opened after each.
    """
    columns, questions = page_columns(season), questions_of(season, planned)
    of_newest = season.day >= season.day[season.revision == season.revisions - 1][0]
    if np.unique(season.day[of_newest]).size < of_newest.sum():
        return opened_after_each_session(season, columns, questions)
    asked = decide_questions(columns, questions, ERROR)
    claimed = {
        question.measure: set().union(*(claims(decision, course.measure) for decision in course.decisions))
        for question, (_, course) in asked.items()
    }
    return _page(season, claimed, asked)


def opened_after_each_session(season: Season, columns: dict[str, Columns], questions: list[Question]) -> Page:
    """The page opened anew after each session, from the rows that there were then."""
    claimed: dict[str, set[Answer]] = {key: set() for key in MEASURES}
    asked: dict[Question, tuple[QuestionData, Course]] = {}
    for session in range(int(np.flatnonzero(season.revision == season.revisions - 1)[0]), season.revision.size):
        so_far = {key: every.up_to(int((every.session <= session).sum())) for key, every in columns.items()}
        asked = decide_questions(so_far, questions, ERROR)
        for question, (_, course) in asked.items():
            for decision in (course.latest, course.decision):
                if decision is not None:
                    claimed[question.measure] |= claims(decision, course.measure)
    return _page(season, claimed, asked)


def _page(season: Season, claimed: dict[str, set[Answer]], asked: dict[Question, tuple[QuestionData, Course]]) -> Page:
    return Page(
        season,
        claimed,
        {question.measure: data for question, (data, _) in asked.items()},
        {question.measure: course for question, (_, course) in asked.items()},
    )


def claims(decision: Decision, measure: Measure) -> set[Answer]:
    """The answer, and what it says of a modification that expected 5 % more."""
    return {decision.answer, _as_answer(decision, measure)} - {Answer.NOT_YET_KNOWN}


def _as_answer(decision: Decision, measure: Measure) -> Answer:
    """What a modification's outcome claims of the difference."""
    interval, difference = decision.interval, decision.look.contrast.difference
    outcome = outcome_of(interval.lower, difference, interval.upper, measure, Expectation(direction=1, amount=0.05))
    return {
        Outcome.WORSE: Answer.LOWER,
        Outcome.NOTHING: Answer.NO_DIFFERENCE,
        Outcome.AS_EXPECTED: Answer.HIGHER,
        Outcome.LESS_THAN_EXPECTED: Answer.HIGHER,
        Outcome.NOT_YET_KNOWN: Answer.NOT_YET_KNOWN,
    }[outcome]


def is_false(answer: Answer, truth: float, band: float) -> bool:
    return {Answer.HIGHER: truth <= 0, Answer.LOWER: truth >= 0, Answer.NO_DIFFERENCE: abs(truth) >= band}[answer]
