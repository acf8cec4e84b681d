"""Trials keep their decision as it was on its day."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from datetime import date

from django.db import DatabaseError, transaction

from buildlog.machines.models import Vehicle
from sessions.trials.models import Trial
from sessions.trials.questions import Answered

logger = logging.getLogger(__name__)


def trials_of(vehicle: Vehicle) -> list[Trial]:
    """All trials of a machine, decided and closed ones too: what was asked once stays among its questions."""
    return list(Trial.objects.filter(revision__vehicle=vehicle).order_by("opened_on", "id"))


def keep_decisions(answers: Sequence[Answered]) -> None:
    """Store what was decided of open trials since somebody last looked.

    The rule alone decides, by the sessions in their order, so it does not matter who looks, nor when. Where nothing
    can be written now, such as on a full disk, the next look stores it.
    """
    for answered in answers:
        trial, decided = answered.asked.trial, answered.result.decided
        if trial is None or decided is None or trial.decided_on is not None:
            continue
        day = date.fromordinal(decided.day)
        if trial.closed_on is not None and day > trial.closed_on:
            continue
        values = {
            "decided_on": day,
            "decided_answer": str(decided.answer),
            "decided_change": decided.figures.change,
            "decided_lower": decided.figures.lower,
            "decided_upper": decided.figures.upper,
            "decided_confidence": decided.figures.confidence,
            "decided_standard_error": decided.standard_error,
            "decided_days": decided.values,
            "decided_against_days": decided.against_values,
        }
        try:
            with transaction.atomic():
                Trial.objects.filter(pk=trial.pk, decided_on__isnull=True).update(**values)
        except DatabaseError:
            logger.warning("The decision of trial %s could not be stored now.", trial.pk, exc_info=True)
            return
        for name, value in values.items():
            setattr(trial, name, value)
