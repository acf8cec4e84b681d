"""Trials that are not decided yet: what they ask, and how many of their planned days are left."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from calc.trials.answers import Answer
from sessions.trials.models import Trial
from sessions.trials.questions import Answered


@dataclass(frozen=True)
class OpenTrial:
    """A trial with today's answer to its question."""

    trial: Trial
    answered: Answered

    @property
    def days(self) -> int:
        """Ridden for it with its revision."""
        return self.answered.result.evidence.values

    @property
    def days_left(self) -> int:
        return max(0, self.trial.planned_days - self.days)

    @property
    def rides_both(self) -> bool:
        """Whether the other revision has to be ridden too, because it has no day yet or each day compares the two."""
        return self.trial.both_builds or not self.answered.result.evidence.against_values

    @property
    def is_over(self) -> bool:
        """Whether its plan can settle it no more: the planned days are ridden, or no season holds what it takes."""
        return not self.days_left or self.answered.result.answer is Answer.NOT_BY_RIDING

    @property
    def chance(self) -> float | None:
        """That its last planned day settles it; earlier ones may, but no number is worked out for that."""
        plan = self.answered.result.plan
        return plan.chance_to_tell if plan is not None and self.days_left == 1 else None


def open_trials(answers: Sequence[Answered]) -> list[OpenTrial]:
    """Of a machine's questions those that an open trial asks, the one that was opened first in front."""
    known: dict[object, OpenTrial] = {}
    for answered in answers:
        trial = answered.asked.trial
        if trial is not None and trial.is_open:
            known.setdefault(trial.pk, OpenTrial(trial, answered))
    return sorted(known.values(), key=lambda row: (row.trial.opened_on, str(row.trial.pk)))
