"""Answers as rows of a page: a word, a picture of the interval, and what it rests on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from calc.trials.answers import Answer
from calc.wording import listed
from sessions.drawing.interval_rows import Axis, Interval, Row
from sessions.trials.models import Trial
from sessions.trials.questions import Answered, Asked, answer_word, percent

CLAIMS = (Answer.HIGHER, Answer.LOWER, Answer.NO_DIFFERENCE)


@dataclass(frozen=True)
class Asking:
    """A modification that asks, and what it did."""

    title: str
    outcome: str


@dataclass(frozen=True)
class AnswerRow:
    pair: str
    label: str
    word: str
    figures: str
    picture: Row | None
    asked_by: list[Asking]
    sentence: str
    counts: str
    adjusted_for: str
    cautions: tuple[str, ...]
    left_out: list[str]
    decided_on: date | None
    is_decided: bool
    trial: Trial | None
    kept: str
    asked: Asked
    may_open: bool
    plain: str


@dataclass(frozen=True)
class AnswerRows:
    """Rows on one axis. `names_pairs` where they are not all about the same two revisions.

    others: of a page that opens with two revisions, what it asks about any others. questions: all that share an error;
    later: trials that have a part of their own.
    """

    rows: list[AnswerRow]
    others: list[AnswerRow]
    axis: Axis
    names_pairs: bool
    questions: int
    later: int


def answer_rows(answers: Sequence[Answered], opens_with_first: bool = False) -> AnswerRows:
    """One row for each difference; modifications that ask about the same one are named in it.

    opens_with_first: set aside what is not about the two revisions of the first question.
    """
    groups = _by_difference(answers)
    firsts = [group[0] for group in groups]
    intervals = {id(first): _interval(first) for first in firsts}
    axis = Axis([interval for interval in intervals.values() if interval is not None])
    rows = []
    for group in groups:
        interval = intervals[id(group[0])]
        rows.append(_row(group, None if interval is None else axis.row(interval)))
    others: list[AnswerRow] = []
    if opens_with_first and rows:
        opening = rows[0].pair
        rows, others = [row for row in rows if row.pair == opening], [row for row in rows if row.pair != opening]
    names_pairs, later = len({row.pair for row in rows}) > 1, sum(first.asked.is_later for first in firsts)
    return AnswerRows(rows, others, axis, names_pairs, questions_of(answers), later)


def questions_of(answers: Sequence[Answered]) -> int:
    """How many share the page's error: each difference counts once, and a later trial has a part of its own."""
    return sum(not group[0].asked.is_later for group in _by_difference(answers))


def _by_difference(answers: Sequence[Answered]) -> list[list[Answered]]:
    groups: dict[tuple[object, ...], list[Answered]] = {}
    for answered in answers:
        trial = answered.asked.trial
        counts_from = None if trial is None else trial.counts_from
        groups.setdefault((*answered.asked.difference, counts_from), []).append(answered)
    return list(groups.values())


def _interval(answered: Answered) -> Interval | None:
    figures = answered.result.figures
    if figures is None:
        return None
    band = answered.measure.smallest_difference
    return Interval(figures.change, figures.lower, figures.upper, band)


def _row(group: Sequence[Answered], picture: Row | None) -> AnswerRow:
    first = group[0]
    asked, result, evidence = first.asked, first.result, first.result.evidence
    figures = ""
    if result.figures is not None:
        low, high = percent(result.figures.lower), percent(result.figures.upper)
        figures = f"{percent(result.figures.change)} ({low} to {high})"
    days = "day" if evidence.values == 1 else "days"
    counts = f"{evidence.values} of {result.question.planned} planned {days} with {asked.revision.label}"
    return AnswerRow(
        f"{asked.revision.label} against {asked.against.label}",
        asked.measure.label,
        first.word,
        figures,
        picture,
        [
            Asking(answered.asked.modification.title, answered.outcome)
            for answered in group
            if answered.asked.modification is not None
        ],
        first.sentence,
        f"{counts}, {evidence.against_values} with {asked.against.label}",
        listed(list(evidence.adjusted_for)),
        evidence.cautions,
        [f"{row.sessions} session{'' if row.sessions == 1 else 's'} {row.reason}" for row in evidence.left_out],
        first.decided_on,
        result.answer in CLAIMS,
        asked.trial,
        kept_decision(first),
        asked,
        first.result.decided is None and not first.result.evidence.values >= first.result.question.planned,
        _plain(first),
    )


def _plain(answered: Answered) -> str:
    ledger = answered.result.evidence.ledger
    if ledger is None:
        return ""
    change, low, high = (percent(share) for share in (ledger.change, ledger.lower, ledger.upper))
    return f"Plain 95 % interval, as if nothing else had been asked and looked at once: {change} ({low} to {high})."


def kept_decision(answered: Answered) -> str:
    """What a trial decided on its day, in words."""
    trial, measure = answered.asked.trial, answered.asked.measure
    if trial is None or trial.decided_on is None:
        return ""
    word = answer_word(Answer(trial.decided_answer), measure)
    change, low, high = (
        percent(share or 0.0) for share in (trial.decided_change, trial.decided_lower, trial.decided_upper)
    )
    days = f"{trial.decided_days} and {trial.decided_against_days} days"
    words = f"Decided on {trial.decided_on:%Y-%m-%d}: {word}, {change} ({low} to {high}), by {days}."
    if answered.is_corrected:
        words += " A fact under it was corrected since; today's figures are above."
    return words
