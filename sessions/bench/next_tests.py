"""What an outing would teach most: the open questions of a machine, in order, after what must not be ridden."""

from __future__ import annotations

import uuid
from dataclasses import dataclass

import numpy as np

from buildlog.failures.models import Failure
from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision
from calc.fix_proof import FixFacts, Kinds, Proof
from calc.lineage import Fitted
from calc.proof_sentences import rounded
from sessions.bench.machine_bench import Bench, WatchRow
from sessions.bench.verdicts import Verdict, expectation
from sessions.evidence.season import Season

MOST = 12
HURTS = (Failure.Severity.CATASTROPHIC, Failure.Severity.CRITICAL)
NEVER_PROVOKED = (
    "Severity I and II are never provoked. Find the cause, then show by inspection, calculation or a bench test that "
    "it cannot come again."
)


@dataclass(frozen=True)
class Question:
    what: str
    why: str
    rank: float
    is_stop: bool = False


def questions_of(bench: Bench, system: str = "metric") -> list[Question]:
    """What must not be ridden first; then what one more outing could settle, then what was never measured.

    What must not be ridden is never cut short; of the others those that teach most are given.
    """
    stops = _do_not_ride(bench)
    others = [*_watched(bench, system), *_undecided(bench), *_never_measured(bench)]
    return _in_order(stops) + _in_order(others)[: max(0, MOST - len(stops))]


def _in_order(questions: list[Question]) -> list[Question]:
    return sorted(questions, key=lambda question: -question.rank)


def _subject(bench: Bench) -> Revision | None:
    """The revision that the next outing is with."""
    return bench.today or bench.planned


def _fitted(bench: Bench, fix: FixFacts) -> Fitted:
    """Whether the revision of the next outing has a fix; without one, whether any was ever ridden."""
    subject = _subject(bench)
    if subject is None:
        return Fitted.YES if bench.history.revisions[fix.revision].was_ridden else Fitted.NO
    return bench.history.fitted(fix.revision, subject.pk)


def _worst(bench: Bench, failure: Failure) -> int:
    """The severity that this mode, or this cause, has had at its worst."""
    facts = bench.history.failures
    same = Kinds.of([facts[failure.pk]])
    return min(other.severity for other in bench.everything if same.include(facts[other.pk]))


def _do_not_ride(bench: Bench) -> list[Question]:
    """Failures that can hurt somebody and that no fix on the machine answers, each mode once."""
    questions: dict[uuid.UUID, tuple[int, Question]] = {}
    for failure in bench.everything:
        if failure.severity not in HURTS:
            continue
        wanting, until = _wanting(bench, failure)
        if until and wanting > questions.get(failure.mode_id, (0, None))[0]:
            came = f"It came with {failure.revision.label} on {failure.happened_at:%Y-%m-%d}."
            what, why = f"Do not ride until {until}", f"{came} {NEVER_PROVOKED}"
            questions[failure.mode_id] = wanting, Question(what, why, 1000.0 - failure.severity, is_stop=True)
    return [question for _, question in questions.values()]


def _wanting(bench: Bench, failure: Failure) -> tuple[int, str]:
    """How far a failure is from being answered, and what must be done before the machine is ridden; 0 where it is."""
    name = f"“{failure.mode.name}” (severity {failure.severity_numeral})"
    on = f" to {bench.today.label}" if bench.today else ""
    fixes = bench.history.fixes_against(failure.pk)
    if not fixes:
        return 3, f"a fix for {name} is fitted"
    fitted = [_fitted(bench, fix) for fix in fixes]
    if Fitted.YES in fitted:
        return 0, ""
    if Fitted.UNKNOWN in fitted:
        title = fixes[fitted.index(Fitted.UNKNOWN)].title
        return 1, f"somebody has checked that “{title}” is still fitted{on}: it answers {name}"
    return 2, f"“{fixes[0].title}” or another fix for {name} is fitted{on}"


def _watched(bench: Bench, system: str) -> list[Question]:
    """A fix is watched by riding; the worse the failure and the nearer the proof, the more an outing tells."""
    questions, seen, subject = [], set(), _subject(bench)
    for row in bench.watched:
        failure, proof = row.failure, row.proof
        if proof is None or proof.failures_after or failure.mode_id in seen:
            continue
        if subject is None or _fitted(bench, proof.fix) is not Fitted.YES:
            continue
        seen.add(failure.mode_id)
        worst = _worst(bench, failure)
        if worst in HURTS:
            numeral = "I" if worst == Failure.Severity.CATASTROPHIC else "II"
            questions.append(
                Question(
                    f"Look over “{proof.fix.title}” on {subject.label} before and after the ride",
                    f"It is to prevent “{failure.mode.name}” (severity {numeral}). {NEVER_PROVOKED}",
                    80 - 10 * worst,
                )
            )
        else:
            questions.append(_by_riding(row, proof, subject, system))
    return questions


def _by_riding(row: WatchRow, proof: Proof, subject: Revision, system: str) -> Question:
    """Ride on, if this season can show it; else another way."""
    mode, fix, needed = row.failure.mode.name, proof.fix.title, proof.still_needed
    so_far = proof.in_all.shortest(proof.kind)
    rank = 60.0 - 10 * row.failure.severity
    if needed == 0:
        why = f"Enough was ridden without “{mode}” to call it held."
        return Question(f"Look over “{fix}” on {subject.label}, and say whether it holds", why, rank + 20)
    if needed is None or proof.is_out_of_reach:
        why = "There is no earlier rate that riding could be compared with."
        if needed is not None:
            left, ridden = (rounded(exposure, proof.kind, system) for exposure in (needed, so_far))
            why = f"Riding would take {left} more without “{mode}”; {ridden} were ridden so far."
        return Question(f"Inspect, calculate or bench-test “{fix}” against “{mode}”", why, rank)
    left = rounded(needed, proof.kind, system)
    return Question(
        f"Look for “{mode}” with {subject.label}, ridden as when it came",
        f"Does “{fix}” hold? {left} more without it would show that it does.",
        rank + 20 * (1.0 - needed / so_far),
    )


def _undecided(bench: Bench) -> list[Question]:
    questions = []
    for verdict in bench.verdicts:
        revision = verdict.modification.revision
        if not verdict.is_open or revision.status != Revision.Status.RIDING:
            continue
        parent = revision.parent
        if verdict.needs_parent and (parent is None or parent.status != Revision.Status.RIDING):
            continue
        if verdict.is_out_of_reach:
            title = verdict.modification.title
            why = f"Did it do what was expected ({expectation(verdict.modification)})? {verdict.sentence}"
            questions.append(Question(f"Calculate or bench-test what “{title}” changes", why, 10.0))
        elif verdict.more_sessions is not None:
            questions.append(_by_sessions(verdict, revision, verdict.more_sessions))
    return questions


def _by_sessions(verdict: Verdict, revision: Revision, more: int) -> Question:
    title, days = verdict.modification.title, f"{more} more day{'' if more == 1 else 's'}"
    parent = revision.parent if verdict.needs_parent else None
    ridden = f"{revision.label} and {parent.label}" if parent is not None else revision.label
    return Question(
        f"Six passes both ways and a measured distance with {ridden}, in weather like the last time",
        f"Did “{title}” do what was expected ({expectation(verdict.modification)})? It takes about {days}.",
        40.0 - more,
    )


def _never_measured(bench: Bench) -> list[Question]:
    recent, today = bench.season, bench.today
    questions: list[Question] = []
    if today is None:
        return questions
    last = recent.count - 1
    if any(_never(recent, f"rest_voltage_{moment}_v") for moment in ("start", "end")):
        questions.append(
            Question("Rest voltage before and after, the pack rested", "Energy left, and energy per km.", 30)
        )
    if _never(recent, "distance_m"):
        questions.append(
            Question("Distance ridden, by wheel counter or track", "Energy per km, range, failure rates.", 29)
        )
    if not any(split.session == last for split in recent.passes.splits):
        questions.append(
            Question("A pass timed at three marks or more", "Is it still gaining speed at the end of the gate?", 15)
        )
    questions.append(
        Question(
            "Coast-down both ways: from speed, power off, timed at marks until slow",
            "Rolling and air drag of this build; no coast-down is recorded yet.",
            18,
        )
    )
    balance = Machine(today).balance
    if balance.mass.measured_on is None:
        questions.append(Question("Weigh the machine, front and rear apart", "Mass and weight distribution.", 12))
    if balance.height.measured_on is None:
        questions.append(Question("Measure the height of the centre of gravity", "The tip-over limit needs it.", 22))
    return questions


def _never(recent: Season, name: str) -> bool:
    """Whether the last session did not record this, or there is none."""
    return not recent.count or bool(np.isnan(recent.numbers[name][-1]))
