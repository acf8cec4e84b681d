"""The questions of a machine and what is known of each: did the newest revision change anything, and did each
modification do what it was expected to do? All questions of a page share one error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from buildlog.failures.models import Modification
from buildlog.machines.models import Revision
from calc.trials.answers import Answer, Expectation, Outcome
from calc.trials.columns import Columns
from calc.trials.looks import PLANNED_VALUES, Question
from calc.trials.results import PAGE_ERROR, Figures, Result, answer_questions
from sessions.evidence.season import Season
from sessions.trials.measure_columns import MeasureColumns
from sessions.trials.measures import EXPECTED, FIRST, MEASURES, Measure

OUTCOMES = {
    Outcome.WORSE: "made it worse",
    Outcome.NOTHING: "did nothing that matters",
    Outcome.AS_EXPECTED: "did what it should",
    Outcome.LESS_THAN_EXPECTED: "helped, less than expected",
    Outcome.NOT_YET_KNOWN: "not yet known",
}


@dataclass(frozen=True)
class Asked:
    """One question of a page: one revision against another on one measure, and who asks."""

    measure: Measure
    revision: Revision
    against: Revision
    modification: Modification | None = None


@dataclass(frozen=True)
class Answered:
    """A question with what is known of it today, in words."""

    asked: Asked
    result: Result

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
            return f"{days} with {label} would tell {percent(self.asked.measure.model.shown(what.amount))}."
        if result.answer is Answer.NOT_BY_RIDING and what is not None:
            return f"No season has the days with {label} that this would take."
        return ""

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
        measure = (
            EXPECTED.get(Modification.Measure(modification.expected_measure))
            if (modification.expected_measure)
            else None
        )
        if revision is None or measure is None or not season.rows_of(revision).size:
            continue
        if revision.parent_id is not None and revision.parent_id in by_key:
            asked.append(Asked(measure, revision, by_key[revision.parent_id], modification))
    return asked


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


def answer(columns: MeasureColumns, asked: Sequence[Asked], error: float = PAGE_ERROR) -> list[Answered]:
    """Answer all questions of a page under one error; the same question asked twice counts once."""
    place = {revision.pk: index for index, revision in enumerate(columns.season.revisions)}
    tables: dict[str, Columns] = {}
    modelled: list[Question] = []
    for question in asked:
        newest = place[question.revision.pk]
        key = f"{question.measure.key}/{newest}"
        if key not in tables:
            tables[key] = columns.of(question.measure, newest)
        expectation = None if question.modification is None else expectation_of(question.modification)
        modelled.append(Question(key, newest, place[question.against.pk], PLANNED_VALUES, expectation))
    results = answer_questions(tables, modelled, error) if modelled else []
    return [Answered(question, result) for question, result in zip(asked, results, strict=True)]


def expectation_of(modification: Modification) -> Expectation:
    """What a modification was to do, for the model."""
    amount = modification.expected_amount_percent
    direction = 1 if modification.expected_direction == Modification.Direction.UP else -1
    return Expectation(direction, amount / 100.0 if amount else None)


def as_json(answered: Answered) -> dict[str, object]:
    """A question as the programming interface gives it."""
    asked, result = answered.asked, answered.result
    decided = result.decided
    modification = asked.modification
    return {
        "measure": asked.measure.key,
        "revision": asked.revision.number,
        "against": asked.against.number,
        "planned": False,
        "answer": str(result.answer),
        **_figures(result.figures),
        "sessions": result.evidence.values,
        "planned_sessions": result.question.planned,
        "more_sessions": result.more_values,
        "adjusted_for": list(result.evidence.adjusted_for),
        "cautions": [*([result.reason] if result.reason else []), *result.evidence.cautions],
        "modification": None if modification is None else str(modification.pk),
        "decided": None
        if decided is None
        else {
            "answer": str(decided.answer),
            "on": date.fromordinal(decided.day).isoformat(),
            "sessions": decided.values,
            "against_sessions": decided.against_values,
            **_figures(decided.figures),
        },
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
