"""What an outing would teach most: the open questions of a machine, in order."""

from __future__ import annotations

from dataclasses import dataclass

from buildlog.machine import Machine
from buildlog.models import Failure
from sessions.bench import Bench
from sessions.verdicts import CANNOT_TELL, expectation

MANY_SESSIONS = 20


@dataclass(frozen=True)
class Question:
    what: str
    why: str
    rank: float


def questions_of(bench: Bench) -> list[Question]:
    """Most worth first: what could hurt, then what one more outing could settle, then what was never measured."""
    found = [*_watched(bench), *_undecided(bench), *_never_measured(bench)]
    return sorted(found, key=lambda question: -question.rank)


def _watched(bench: Bench) -> list[Question]:
    """A fix is watched by riding; the worse the failure and the nearer the proof, the more an outing tells."""
    found, seen = [], set()
    for row in bench.watched:
        failure, proof = row.failure, row.proof
        if failure.state != Failure.State.WATCHING or proof is None or failure.mode_id in seen:
            continue
        seen.add(failure.mode_id)
        left_km = (proof.still_needed_m or 0.0) / 1000.0
        nearness = 1.0 / (1.0 + left_km / 20.0)
        distance = f"{left_km:.0f} km more without it would show that it holds" if left_km else "it may be called held"
        found.append(
            Question(
                f"Look for “{failure.mode.name}” while riding as it was ridden when it came",
                f"Does “{proof.fix.title}” hold? {distance[0].upper()}{distance[1:]}.",
                60 - 10 * failure.severity + 20 * nearness,
            )
        )
    return found


def _undecided(bench: Bench) -> list[Question]:
    found = []
    for verdict in bench.verdicts:
        if verdict.word != CANNOT_TELL or verdict.more_sessions is None or verdict.more_sessions > MANY_SESSIONS:
            continue
        number = verdict.modification.revision.label
        found.append(
            Question(
                f"Six passes both ways and a measured distance with {number}, in weather like the last time",
                f"Did “{verdict.modification.title}” do what was expected ({expectation(verdict.modification)})? "
                f"About {verdict.more_sessions} more session{'' if verdict.more_sessions == 1 else 's'} would tell.",
                40 - verdict.more_sessions,
            )
        )
    return found


def _never_measured(bench: Bench) -> list[Question]:
    last, today = bench.last_session, bench.today
    found = []
    if today is None:
        return found
    if last is None or last.rest_voltage_start_v is None or last.rest_voltage_end_v is None:
        found.append(Question("Rest voltage before and after, the pack rested", "Energy left, and energy per km.", 30))
    if last is None or last.distance_m is None:
        found.append(Question("Distance ridden, by wheel counter or track", "Energy per km, range, failure rates.", 29))
    if not any(run.split_times_s for run in (last.passes.all() if last else ())):
        found.append(
            Question("A pass timed at three marks or more", "Is it still gaining speed at the end of the gate?", 15)
        )
    found.append(
        Question(
            "Coast-down both ways: from speed, power off, timed at marks until slow",
            "Rolling and air drag of this build; no coast-down is recorded yet.",
            18,
        )
    )
    balance = Machine(today).balance
    if balance.mass.measured_on is None:
        found.append(Question("Weigh the machine, front and rear apart", "Mass, and where its weight stands.", 12))
    if balance.height.measured_on is None:
        found.append(Question("Measure the height of the centre of gravity", "The tip-over limit rests on it.", 22))
    return found
