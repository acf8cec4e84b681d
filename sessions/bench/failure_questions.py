"""Whether modifications that answer failures brought their rate down, as the programming interface says it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from buildlog.failures.loop import loop_of
from buildlog.failures.models import Modification
from buildlog.machines.models import Vehicle
from calc.fix_proof import Proof
from calc.trials.answers import Answer, Outcome
from sessions.bench.verdicts import verdict_by_failures
from sessions.evidence.season import Season


def failure_questions(vehicle: Vehicle, season: Season, modifications: Sequence[Modification]) -> list[dict[str, Any]]:
    """One for each modification that was expected to change a rate of failures, in the shape of the other questions.

    Failures have a bound of their own (calc.fix_proof) and are counted against distance, so there is no number of
    sessions that would tell.
    """
    asking = [row for row in modifications if row.expected_measure == Modification.Measure.FAILURE_RATE]
    if not asking:
        return []
    numbers = {revision.pk: revision.number for revision in season.revisions}
    parents = {revision.pk: revision.parent_id for revision in season.revisions}
    loop = loop_of(vehicle, revisions=season.revisions)
    questions = []
    for modification in asking:
        parent = parents[modification.revision_id]
        if parent is None:
            continue
        proof = loop.proof_of_fix(modification.pk)
        verdict = verdict_by_failures(modification, loop)
        questions.append(
            {
                "measure": "failures",
                "revision": numbers[modification.revision_id],
                "against": numbers[parent],
                "planned": False,
                "trial": None,
                "opened_on": None,
                "answer": str(_answer(proof, verdict.outcome)),
                "change": None,
                "lower": None,
                "upper": None if proof is None or proof.ratio_upper is None else proof.ratio_upper - 1.0,
                "confidence": None if proof is None else proof.confidence,
                "sessions": sum(key == modification.revision_id for key in season.revision),
                "planned_sessions": None,
                "more_sessions": None,
                "adjusted_for": [],
                "cautions": [verdict.sentence],
                "modification": str(modification.pk),
                "decided": None,
            }
        )
    return questions


def _answer(proof: Proof | None, outcome: Outcome) -> Answer:
    if outcome is Outcome.WORSE:
        return Answer.HIGHER
    if outcome in (Outcome.AS_EXPECTED, Outcome.LESS_THAN_EXPECTED):
        return Answer.LOWER
    if proof is not None and proof.is_out_of_reach:
        return Answer.NOT_BY_RIDING
    return Answer.NOT_YET_KNOWN
