"""The questions of a machine and what is known of each: did the newest revision change anything, did each
modification do what it was expected to do, and what do trials ask? All questions of a page share one error."""

from __future__ import annotations

import math
import uuid
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from buildlog.failures.models import Modification
from buildlog.machines.models import Revision
from calc.trials.answers import Answer, Expectation, Outcome
from calc.trials.columns import Columns
from calc.trials.columns import Measure as ModelMeasure
from calc.trials.looks import LEAST_VALUES, PLANNED_VALUES, Question, QuestionData, standard_error
from calc.trials.results import Figures, Result, answer_questions
from sessions.evidence.season import Season
from sessions.trials.measure_columns import MeasureColumns
from sessions.trials.measures import EXPECTED, FIRST, MEASURES, Measure
from sessions.trials.models import Trial

OUTCOMES = {
    Outcome.WORSE: "made it worse",
    Outcome.NOTHING: "did nothing that matters",
    Outcome.AS_EXPECTED: "did what it should",
    Outcome.LESS_THAN_EXPECTED: "helped, less than expected",
    Outcome.NOT_YET_KNOWN: "not yet known",
}


@dataclass(frozen=True)
class Asked:
    """One question of a page: one revision against another on one measure, and who asks.

    trial: has its plan. is_later: whether it is asked by the trial alone, from the day on which that was opened.
    """

    measure: Measure
    revision: Revision
    against: Revision
    modification: Modification | None = None
    trial: Trial | None = None
    is_later: bool = False

    @property
    def difference(self) -> tuple[str, uuid.UUID, uuid.UUID]:
        return self.measure.key, self.revision.pk, self.against.pk


@dataclass(frozen=True)
class Answered:
    """A question with what is known of it today, in words.

    measure: with the smallest difference that matters for this machine. is_corrected: whether a fact under the kept
    decision of its trial is another one now.
    """

    asked: Asked
    result: Result
    measure: ModelMeasure
    is_corrected: bool = False

    @property
    def word(self) -> str:
        """The answer in a word or two: "faster", "not yet known"."""
        return answer_word(self.result.answer, self.asked.measure)

    @property
    def outcome(self) -> str:
        """For a modification, what it did."""
        return "" if self.result.outcome is None else OUTCOMES[self.result.outcome]

    @property
    def sentence(self) -> str:
        """What more riding would do, or why nothing can be claimed."""
        result, label = self.result, self.asked.revision.label
        if result.reason:
            return result.reason
        what = result.plan
        if result.answer is Answer.NOT_YET_KNOWN and what is not None and result.more_values:
            days = "1 more day" if result.more_values == 1 else f"{result.more_values} more days"
            return f"{days} with {label} would probably be enough to show a difference of {_size(what.amount)}."
        if result.answer is Answer.NOT_YET_KNOWN and what is not None and what.days_to_tell:
            days = f"{what.days_to_tell} days on which {label} and {self.asked.against.label} are both ridden"
            return (
                f"With {label} alone, showing a difference of {_size(what.amount)} takes more days than a season has. "
                f"{days} would probably be enough."
            )
        if result.answer is Answer.NOT_BY_RIDING and what is not None:
            return f"Showing it takes more days with {label} than a season has."
        return ""

    @property
    def more_sessions(self) -> int | None:
        """Further days that would settle it; None where it is settled, or no season holds them."""
        result = self.result
        if result.answer in (Answer.HIGHER, Answer.LOWER, Answer.NO_DIFFERENCE, Answer.NOT_BY_RIDING):
            return None
        if result.more_values or (result.plan is not None and result.evidence.values >= LEAST_VALUES):
            return result.more_values
        # Before it can be worked out: what the trial has planned, or the fewest values that can claim anything.
        least = LEAST_VALUES if self.asked.trial is None else result.question.planned
        return max(0, least - result.evidence.values) or None

    @property
    def decided_on(self) -> date | None:
        return None if self.result.decided is None else date.fromordinal(self.result.decided.day)


def answer_word(answer: Answer, measure: Measure) -> str:
    return {
        Answer.HIGHER: measure.more,
        Answer.LOWER: measure.less,
        Answer.NO_DIFFERENCE: "no difference that matters",
        Answer.NOT_YET_KNOWN: "not yet known",
        Answer.NOT_BY_RIDING: "cannot be settled by riding this season",
        Answer.NOT_SEPARABLE: "cannot be separated",
    }[answer]


def _size(share: float) -> str:
    return f"{100.0 * share:.2g}\u00a0%"


def percent(share: float) -> str:
    """A share of change with its sign, in per cent to the digits that people read."""
    value = 100.0 * share
    text = f"{value:+.1f}" if abs(value) < 9.95 else f"{value:+.0f}"
    return f"{text.replace('-', '−')} %"


def newest_against_parent(season: Season) -> list[Asked]:
    """The newest revision that was ridden against the one it was made from."""
    by_key = {revision.pk: revision for revision in season.revisions}
    ridden = [revision for revision in season.revisions if season.rows_of(revision).size]
    parent = by_key.get(ridden[-1].parent_id) if ridden and ridden[-1].parent_id else None
    return [] if parent is None else [Asked(measure, ridden[-1], parent) for measure in FIRST]


def of_modifications(season: Season, modifications: Sequence[Modification]) -> list[Asked]:
    """What each modification of a ridden revision was expected to change, if sessions can say so."""
    by_key = {revision.pk: revision for revision in season.revisions}
    asked = []
    for modification in modifications:
        revision = by_key.get(modification.revision_id)
        measure = measure_expected_by(modification)
        if revision is None or measure is None or not season.rows_of(revision).size:
            continue
        if revision.parent_id is not None and revision.parent_id in by_key:
            asked.append(Asked(measure, revision, by_key[revision.parent_id], modification))
    return asked


def own_questions(season: Season, modifications: Sequence[Modification], trials: Sequence[Trial]) -> list[Asked]:
    """All questions of a machine: those it asks by itself, and those of trials."""
    by_key = {revision.pk: revision for revision in season.revisions}
    asked = planned_by([*newest_against_parent(season), *of_modifications(season, modifications)], trials)
    known = {question.trial.pk for question in asked if question.trial is not None}
    changes = {modification.pk: modification for modification in modifications}
    return asked + [
        Asked(
            trial.asks,
            by_key[trial.revision_id],
            by_key[trial.against_id],
            _expecting(changes.get(trial.modification_id) if trial.modification_id else None, trial.asks),
            trial,
            is_later=True,
        )
        for trial in trials
        if trial.pk not in known
    ]


def planned_by(asked: Sequence[Asked], trials: Sequence[Trial]) -> list[Asked]:
    """Questions with the trial that plans them, where one does that counts all their sessions."""
    plans = {
        (trial.measure, trial.revision_id, trial.against_id): trial for trial in trials if trial.counts_from is None
    }
    return [replace(question, trial=plans.get(question.difference)) for question in asked]


def _expecting(modification: Modification | None, measure: Measure) -> Modification | None:
    """The modification, where it said what this measure should do."""
    if modification is None or measure_expected_by(modification) is not measure:
        return None
    return modification


def measure_expected_by(modification: Modification) -> Measure | None:
    """The measure that sessions judge a modification by; None where it expected nothing that they can judge."""
    asked = modification.expected_measure
    return EXPECTED.get(Modification.Measure(asked)) if asked else None


def every_pair(season: Season) -> list[Asked]:
    """Every ridden revision against its parent and against the first, on all measures."""
    by_key = {revision.pk: revision for revision in season.revisions}
    ridden = [revision for revision in season.revisions if season.rows_of(revision).size]
    asked = []
    for revision in ridden[1:]:
        others = dict.fromkeys([by_key.get(revision.parent_id) if revision.parent_id else None, ridden[0]])
        asked += [
            Asked(measure, revision, other)
            for other in others
            if other is not None and other.pk != revision.pk
            for measure in MEASURES.values()
        ]
    return asked


def against_first(revisions: Sequence[Revision], measures: Sequence[Measure]) -> list[Asked]:
    """Chosen revisions against the first of them."""
    return [Asked(measure, revision, revisions[0]) for revision in revisions[1:] for measure in measures]


def answer(columns: MeasureColumns, asked: Sequence[Asked]) -> list[Answered]:
    """Answer all questions of a page under one error; the same question asked twice counts once."""
    known = columns.known
    place = {revision.pk: index for index, revision in enumerate(columns.season.revisions)}
    tables: dict[str, Columns] = {}
    modelled: list[Question] = []
    for question in asked:
        newest = place[question.revision.pk]
        key = f"{question.measure.key}/{newest}"
        if key not in tables:
            tables[key] = columns.of(question.measure, newest)
        expectation = None if question.modification is None else expectation_of(question.modification)
        modelled.append(_modelled(question, key, newest, place[question.against.pk], expectation))
    error, power = known.page_error_fraction, known.trial_power_fraction
    results = answer_questions(tables, modelled, error, power=power) if modelled else []
    return [
        Answered(
            question,
            result,
            question.measure.of(known),
            _is_corrected(question.trial, tables[result.question.measure], result.question),
        )
        for question, result in zip(asked, results, strict=True)
    ]


def _modelled(asked: Asked, key: str, newest: int, against: int, expectation: Expectation | None) -> Question:
    trial = asked.trial
    if trial is None:
        return Question(key, newest, against, PLANNED_VALUES, expectation)
    counts_from = None if trial.counts_from is None else trial.counts_from.toordinal()
    arrives = trial.opened_on.toordinal() if asked.is_later else None
    return Question(key, newest, against, trial.planned_days, expectation, counts_from, trial.both_builds, arrives)


def _is_corrected(trial: Trial | None, columns: Columns, question: Question) -> bool:
    """Whether the days that decided a trial say something else now: a session was mended, removed or added."""
    if trial is None or trial.decided_on is None or trial.decided_change is None:
        return False
    fit = QuestionData(columns, question).at(trial.decided_on.toordinal()).contrast
    if not fit.estimable or (fit.values, fit.against_values) != (trial.decided_days, trial.decided_against_days):
        return True
    change = columns.measure.shown(fit.difference)
    return not (
        math.isclose(change, trial.decided_change, rel_tol=1e-6, abs_tol=1e-9)
        and math.isclose(standard_error(fit), trial.decided_standard_error or 0.0, rel_tol=1e-6)
    )


def expectation_of(modification: Modification) -> Expectation:
    """What a modification was to do, for the model."""
    amount = modification.expected_amount_percent
    direction = 1 if modification.expected_direction == Modification.Direction.UP else -1
    return Expectation(direction, amount / 100.0 if amount else None)


def as_json(answered: Answered) -> dict[str, object]:
    """A question as the programming interface gives it."""
    asked, result = answered.asked, answered.result
    modification, trial = asked.modification, asked.trial
    return {
        "measure": asked.measure.key,
        "revision": asked.revision.number,
        "against": asked.against.number,
        "planned": trial is not None,
        "trial": None if trial is None else str(trial.pk),
        "opened_on": None if trial is None else trial.opened_on.isoformat(),
        "answer": str(result.answer),
        **_figures(result.figures),
        "sessions": result.evidence.values,
        "planned_sessions": result.question.planned,
        "more_sessions": answered.more_sessions,
        "adjusted_for": list(result.evidence.adjusted_for),
        "cautions": [*([result.reason] if result.reason else []), *result.evidence.cautions],
        "modification": None if modification is None else str(modification.pk),
        "decided": _decision(answered),
    }


def _decision(answered: Answered) -> dict[str, object] | None:
    """The decision that a trial kept, else the first one that today's facts give."""
    trial, decided = answered.asked.trial, answered.result.decided
    if trial is not None and trial.decided_on is not None:
        return {
            "answer": trial.decided_answer,
            "on": trial.decided_on.isoformat(),
            "sessions": trial.decided_days,
            "against_sessions": trial.decided_against_days,
            "change": trial.decided_change,
            "lower": trial.decided_lower,
            "upper": trial.decided_upper,
            "confidence": trial.decided_confidence,
            "kept": True,
            "corrected": answered.is_corrected,
        }
    if decided is None:
        return None
    return {
        "answer": str(decided.answer),
        "on": date.fromordinal(decided.day).isoformat(),
        "sessions": decided.values,
        "against_sessions": decided.against_values,
        **_figures(decided.figures),
        "kept": False,
        "corrected": False,
    }


def _figures(figures: Figures | None) -> dict[str, float | None]:
    if figures is None:
        return dict.fromkeys(("change", "lower", "upper", "confidence"))
    return {
        "change": figures.change,
        "lower": figures.lower,
        "upper": figures.upper,
        "confidence": figures.confidence,
    }
