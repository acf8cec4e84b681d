"""What comes next on the bench: what must not be ridden, what to settle, to fix, to ride, and to stop testing."""

from __future__ import annotations

import math
import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from statistics import median

import numpy as np

from buildlog.failures.models import Failure
from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision
from calc.failure_facts import HURTS, FailureFacts, FixFacts
from calc.failure_state import STEPPED, State
from calc.lineage import Fitted
from calc.proof_sentences import rounded
from sessions.bench.machine_bench import Bench
from sessions.bench.mode_rows import ModeRow
from sessions.bench.open_trials import OpenTrial
from sessions.bench.verdicts import Verdict, expectation
from sessions.evidence.season import Season

MOST = 12
BEYOND_A_LIMIT = 500.0
"""Its rank among what is to be settled: after fixes of what can hurt somebody, before everything else."""
NOT_RELEASED = 400.0
NEVER_PROVOKED = (
    "Severity I and II are never provoked. Find the cause, then show by inspection, calculation or a bench test that "
    "it cannot happen again."
)


class Kind(StrEnum):
    """What a step asks for, the most urgent first."""

    DO_NOT_RIDE = "do_not_ride"
    SETTLE = "settle_this"
    FIX = "fix_this"
    RIDE = "ride_this_trial"
    STOP = "stop_testing_this"
    MEASURE = "measure_this"


_TITLES = {
    Kind.DO_NOT_RIDE: "Do not ride",
    Kind.SETTLE: "Settle this first",
    Kind.FIX: "Fix this first",
    Kind.RIDE: "Ride this",
    Kind.STOP: "Stop testing this",
    Kind.MEASURE: "Measure this",
}
SHOWN_IN_JSON = (Kind.DO_NOT_RIDE, Kind.SETTLE, Kind.FIX, Kind.RIDE, Kind.STOP)
ON_A_CARD = (Kind.DO_NOT_RIDE, Kind.SETTLE, Kind.RIDE, Kind.MEASURE)
"""What an outing is made of; the others are done at the bench."""


@dataclass(frozen=True)
class Question:
    """One step. rank: within its kind, the larger the sooner. chance: that the next outing settles it."""

    kind: Kind
    what: str
    why: str
    rank: float
    revision: Revision | None = None
    mode: ModeRow | None = None
    verdict: Verdict | None = None
    chance: float | None = None
    trial: OpenTrial | None = None
    session: uuid.UUID | None = None
    """The session whose logs are to be looked at."""
    is_release: bool = False

    @property
    def is_stop(self) -> bool:
        return self.kind is Kind.DO_NOT_RIDE

    @property
    def title(self) -> str:
        return _TITLES[self.kind]

    @property
    def chance_words(self) -> str:
        if self.chance is None:
            return ""
        if self.chance < 0.005:
            return "The next outing alone cannot settle it."
        return f"The next outing settles it with a chance of about {100 * self.chance:.0f} %."


def questions_of(bench: Bench, system: str = "metric") -> list[Question]:
    """Every step in its order. What must not be ridden is never cut short; the rest is what teaches most."""
    stops = _in_order(_do_not_ride(bench))
    stopped = {question.mode.mode for question in stops if question.mode is not None}
    rows = [row for row in bench.modes if row.mode not in stopped]
    others = [
        *_of_logs(bench, system),
        *_ridden_unreleased(bench),
        *_of_modes(bench, rows, system),
        *_of_trials(bench),
        *_undecided(bench),
        *_never_measured(bench),
    ]
    return stops + _in_order(others)[: max(0, MOST - len(stops))]


def in_turn(questions: Iterable[Question]) -> tuple[list[Question], list[Question]]:
    """What comes next, and what comes after it. All that forbids riding comes first, together."""
    rows = list(questions)
    stops, others = ([row for row in rows if row.is_stop is wanted] for wanted in (True, False))
    return (stops, others) if stops else (others[:1], others[1:])


def for_a_card(questions: Iterable[Question]) -> list[Question]:
    # A log is looked at on the bench, and a release is made there.
    return [
        question
        for question in questions
        if question.kind in ON_A_CARD and question.session is None and not question.is_release
    ]


def _in_order(questions: list[Question]) -> list[Question]:
    kinds = list(Kind)
    return sorted(questions, key=lambda question: (kinds.index(question.kind), -question.rank))


def _subject(bench: Bench) -> Revision | None:
    """The revision that the next outing is with."""
    return bench.today or bench.planned


def _fitted(bench: Bench, fix: FixFacts) -> Fitted:
    """Whether the revision of the next outing has a fix; without one, whether any was ever ridden."""
    subject = _subject(bench)
    if subject is None:
        return Fitted.YES if bench.history.revisions[fix.revision].was_ridden else Fitted.NO
    return bench.history.fitted(fix, subject.pk)


def _do_not_ride(bench: Bench) -> list[Question]:
    """Modes that can hurt somebody and that no fix on the machine answers, each once."""
    rows = {row.mode: row for row in bench.modes}
    questions: dict[uuid.UUID, tuple[int, Question]] = {}
    for failure in bench.everything:
        if failure.severity not in HURTS:
            continue
        wanting, until = _wanting(bench, failure)
        if until and wanting > questions.get(failure.mode_id, (0, None))[0]:
            came = f"It happened on {failure.revision.label} on {failure.happened_at:%Y-%m-%d}."
            question = Question(
                Kind.DO_NOT_RIDE, f"Do not ride until {until}", f"{came} {NEVER_PROVOKED}", -failure.severity,
                _subject(bench), rows[failure.mode_id],
            )  # fmt: skip
            questions[failure.mode_id] = wanting, question
    return [question for _, question in questions.values()]


def _facts(bench: Bench, failure: Failure) -> FailureFacts:
    return bench.history.failures[failure.pk]


def _wanting(bench: Bench, failure: Failure) -> tuple[int, str]:
    """How far a failure is from being answered, and what must be done before the machine is ridden; 0 where it is."""
    name = f"“{failure.mode.name}” (severity {failure.severity_numeral})"
    on = f" to {bench.today.label}" if bench.today else ""
    fixes = bench.history.fixes_for(_facts(bench, failure))
    if not fixes:
        return 3, f"a fix for {name} is fitted"
    fitted = [_fitted(bench, fix) for fix in fixes]
    if Fitted.YES in fitted:
        return 0, ""
    if Fitted.UNKNOWN in fitted:
        title = fixes[fitted.index(Fitted.UNKNOWN)].title
        return 1, f"somebody has checked that “{title}” is still fitted{on}: it answers {name}"
    return 2, f"“{fixes[0].title}” or another fix for {name} is fitted{on}"


def _of_modes(bench: Bench, rows: list[ModeRow], system: str) -> list[Question]:
    """What each mode asks for by its state, other than those that must not be ridden."""
    questions: list[Question | None] = []
    for row in rows:
        if row.state in (State.OPEN, State.RECURRED):
            questions.append(_to_fix(bench, row))
        elif row.state is State.WATCHING:
            questions.append(_watched(bench, row, system))
        elif row.state is State.FIX_FITTED and row.severity in HURTS:
            questions.append(_before_the_first_ride(bench, row))
    return [question for question in questions if question is not None]


def _before_the_first_ride(bench: Bench, row: ModeRow) -> Question | None:
    fix = row.standing.fix
    if fix is None or bench.loop.shown(fix, bench.loop.modes[row.mode][-1]).by & STEPPED:
        return None
    return Question(
        Kind.SETTLE, f"Show “{fix.title}” by a calculation or a test in steps before it is ridden",
        f"It is meant to prevent “{row.name}” (severity {row.numeral}). {NEVER_PROVOKED}", 1000.0 - row.severity,
        _subject(bench), row,
    )  # fmt: skip


def _to_fix(bench: Bench, row: ModeRow) -> Question:
    labels = dict.fromkeys(failure.revision.label for failure in row.failures)
    times = "once" if len(row.failures) == 1 else f"{len(row.failures)} times"
    cause = next((failure.cause for failure in row.history if failure.cause is not None), None)
    if cause is None:
        known = "no cause is known yet: look at the part before you change anything"
    else:
        known = f"{'cause' if cause.confirmed else 'suspected cause'}: {cause.statement.rstrip('.?! ')}"
    planned = row.standing.fix
    way = f"“{planned.title}” is planned" if planned is not None and row.state is State.OPEN else "no fix has held"
    if row.state is State.OPEN and planned is None:
        way = "no fix is recorded"
    return Question(
        Kind.FIX, f"Fix “{row.name}”", f"It happened {times} ({', '.join(labels)}); {way}; {known}.", row.expected_harm,
        _subject(bench), row,
    )  # fmt: skip


def _watched(bench: Bench, row: ModeRow, system: str) -> Question | None:
    """A fix that is ridden: to be looked over, signed, ridden on, or shown another way."""
    shown, subject = row.standing.shown, _subject(bench)
    if shown is None or subject is None or _fitted(bench, shown.proof.fix) is not Fitted.YES:
        return None
    proof, fix = shown.proof, shown.proof.fix.title
    if row.may_be_held:
        how = "is shown" if row.severity in HURTS or shown.by else "was ridden far enough without it"
        why = f"“{row.name}”: the fix {how}. Sign that it has held."
        return Question(
            Kind.SETTLE, f"Inspect “{fix}” on {subject.label}, and say whether it holds", why, row.expected_harm,
            subject, row,
        )  # fmt: skip
    if row.severity in HURTS:
        return Question(
            Kind.SETTLE, f"Inspect “{fix}” on {subject.label} before and after the ride",
            f"It is meant to prevent “{row.name}” (severity {row.numeral}). It still needs "
            f"{' and '.join(shown.lacks)}. Never provoke it.",
            1000.0 - row.severity, subject, row,
        )  # fmt: skip
    needed, so_far = proof.still_needed, proof.in_all.shortest(proof.kind)
    if needed is None or proof.is_out_of_reach:
        why = "There is no earlier rate that riding could be compared with."
        if needed is not None:
            left, ridden = (rounded(exposure, proof.kind, system) for exposure in (needed, so_far))
            why = f"Riding would take {left} more without “{row.name}”; {ridden} were ridden so far."
        return Question(
            Kind.SETTLE, f"Inspect, calculate or bench-test “{fix}” against “{row.name}”", why, row.expected_harm,
            subject, row,
        )  # fmt: skip
    chance = _chance_of_riding(bench, needed, proof.failures_before, proof.exposure_before, proof.kind)
    left = rounded(needed, proof.kind, system)
    return Question(
        Kind.RIDE, f"Ride {subject.label} as when “{row.name}” happened, and look for it",
        f"Does “{fix}” hold? {left} more without the failure would show that it does.",
        chance, subject, row, chance=chance,
    )  # fmt: skip


def _chance_of_riding(bench: Bench, needed: float, failures: int, exposure: float, kind: str) -> float:
    """That an outing of the usual length shows a fix that brought the rate to half of what it was."""
    lengths = [
        length
        for ride in bench.exposure.rides
        if (length := ride.length.distance_m if kind == "trip" else ride.length.runtime_s)
    ]
    if not lengths or needed > median(lengths):
        return 0.0
    return math.exp(-0.5 * failures / exposure * needed)


def _of_trials(bench: Bench) -> list[Question]:
    """Open trials of a revision that is ridden now: to be ridden on, or given up."""
    return [_of_trial(row) for row in bench.trials if row.trial.revision.status == Revision.Status.RIDING]


def _of_trial(row: OpenTrial) -> Question:
    trial, revision = row.trial, row.trial.revision
    days = f"{row.days} of {trial.planned_days} planned days are ridden"
    if row.is_over:
        return Question(
            Kind.STOP, f"Close the trial “{trial}”, or calculate or bench-test it",
            " ".join(filter(None, [f"{days}, and it is not settled.", row.answered.sentence])), 20.0, revision,
            trial=row,
        )  # fmt: skip
    ridden = f"{revision.label} and {trial.against.label}" if row.rides_both else revision.label
    why = f"Trial “{trial}”: {days}."
    return Question(
        Kind.RIDE, f"Ride day {row.days + 1} of a trial with {ridden}, in weather like the last time",
        " ".join(filter(None, [why, row.answered.result.reason])), (row.chance or 0.5) / row.days_left + 0.5, revision,
        chance=row.chance, trial=row,
    )  # fmt: skip


def _undecided(bench: Bench) -> list[Question]:
    """What modifications were expected to do, other than what an open trial asks already."""
    questions = []
    asked = {row.trial.modification_id for row in bench.trials} | {
        row.answered.asked.modification.pk for row in bench.trials if row.answered.asked.modification is not None
    }
    for verdict in bench.verdicts:
        revision = verdict.modification.revision
        if not verdict.is_open or revision.status != Revision.Status.RIDING or verdict.modification.pk in asked:
            continue
        parent = revision.parent
        if verdict.needs_parent and (parent is None or parent.status != Revision.Status.RIDING):
            continue
        if verdict.is_out_of_reach:
            title = verdict.modification.title
            why = f"Did it do what was expected ({expectation(verdict.modification)})? {verdict.sentence}"
            what = f"Calculate or bench-test what “{title}” changes"
            questions.append(Question(Kind.STOP, what, why, 10.0, revision, verdict=verdict))
        elif verdict.more_sessions is not None:
            questions.append(_by_sessions(verdict, revision, verdict.more_sessions))
    return questions


def _of_logs(bench: Bench, system: str) -> list[Question]:
    """A limit that a log was beyond is a warning even where nothing broke."""
    return [
        Question(
            Kind.SETTLE, f"Look at “{row.limit.mode}” in the logs, and record it as a failure or correct the limit",
            row.sentence(system), BEYOND_A_LIMIT, _subject(bench), session=row.session,
        )
        for row in bench.beyond_in_logs
    ]  # fmt: skip


def _ridden_unreleased(bench: Bench) -> list[Question]:
    """A revision that was ridden while its record says that it is planned or in build; the newest of them."""
    for revision in reversed(bench.season.revisions):
        rows = bench.season.rows_of(revision)
        if rows.size and revision.status in (Revision.Status.PLANNED, Revision.Status.IN_BUILD):
            last, status = bench.season.started_at[rows[-1]], revision.get_status_display().lower()
            why = f"It was ridden on {last:%Y-%m-%d}, and its record says that it is {status}."
            return [Question(Kind.SETTLE, f"Release {revision.label}", why, NOT_RELEASED, revision, is_release=True)]
    return []


def _by_sessions(verdict: Verdict, revision: Revision, more: int) -> Question:
    """A trial goes on: the nearer its answer and the better its chance, the more the next outing tells."""
    title, days = verdict.modification.title, f"{more} more day{'' if more == 1 else 's'}"
    parent = revision.parent if verdict.needs_parent else None
    ridden = f"{revision.label} and {parent.label}" if parent is not None else revision.label
    chance = verdict.chance_of_answer if more <= 1 else 0.0
    return Question(
        Kind.RIDE, f"Six passes both ways and a measured distance with {ridden}, in weather like the last time",
        f"Did “{title}” do what was expected ({expectation(verdict.modification)})? It takes about {days}.",
        (verdict.chance_of_answer or 0.5) / max(1, more), revision, verdict=verdict, chance=chance,
    )  # fmt: skip


def _measure(what: str, why: str, rank: float) -> Question:
    return Question(Kind.MEASURE, what, why, rank)


def _never_measured(bench: Bench) -> list[Question]:
    recent, today = bench.season, bench.today
    questions: list[Question] = []
    if today is None:
        return questions
    last = recent.count - 1
    if any(_never(recent, f"rest_voltage_{moment}_v") for moment in ("start", "end")):
        questions.append(
            _measure("Rest voltage before and after, the pack rested", "Energy left, and energy per km.", 30)
        )
    if _never(recent, "distance_m"):
        questions.append(
            _measure("Distance ridden, by wheel counter or track", "Energy per km, range, failure rates.", 29)
        )
    if not any(split.session == last for split in recent.passes.splits):
        questions.append(
            _measure("A pass timed at three marks or more", "Is it still gaining speed at the end of the gate?", 15)
        )
    questions.append(
        _measure(
            "Coast-down both ways: from speed, power off, timed at marks until slow",
            "Rolling and air drag of this build; no coast-down is recorded yet.",
            18,
        )
    )
    balance = Machine(today).balance
    if balance.mass.measured_on is None:
        so_far = "Mass and weight distribution are those of its parts so far; scales correct them."
        why = "Mass and weight distribution." if balance.mass.value is None else so_far
        questions.append(_measure("Weigh the machine, front and rear apart", why, 12))
    if balance.height.measured_on is None:
        so_far = "The tip-over limit rests on where its parts are said to be; a tilt test corrects it."
        why = "The tip-over limit needs it." if balance.height.value is None else so_far
        questions.append(_measure("Measure the height of the centre of gravity", why, 22))
    return questions


def _never(recent: Season, name: str) -> bool:
    """Whether the last session did not record this, or there is none."""
    return not recent.count or bool(np.isnan(recent.numbers[name][-1]))
