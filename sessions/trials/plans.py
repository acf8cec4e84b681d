"""What a trial promised before its first day: the change that its days would show, and what this rests on."""

from __future__ import annotations

from django.utils import timezone

from buildlog.failures.models import Modification
from buildlog.machines.models import Vehicle
from calc.trials.looks import QuestionData
from calc.trials.plan import Plan, basis_of, plan
from sessions.evidence.season import Season
from sessions.trials.decisions import trials_of
from sessions.trials.measure_columns import MeasureColumns
from sessions.trials.models import Trial
from sessions.trials.questions import Answered, answer, own_questions


def own_answers(season: Season, columns: MeasureColumns) -> list[Answered]:
    """Today's answers to all questions of a machine."""
    vehicle = season.vehicle
    modifications = list(Modification.objects.filter(revision__vehicle=vehicle).order_by("-revision__number", "title"))
    return answer(columns, own_questions(season, modifications, trials_of(vehicle)))


def answer_of(trial: Trial, answers: list[Answered]) -> Answered:
    """The answer to a trial's question."""
    return next(row for row in answers if row.asked.trial is not None and row.asked.trial.pk == trial.pk)


def plan_before(trial: Trial, answered: Answered, columns: MeasureColumns) -> Plan | None:
    """The plan as it stands before the first day that counts; None where no spread is known by then."""
    place = {revision.pk: index for index, revision in enumerate(columns.season.revisions)}
    question = answered.result.question
    data = QuestionData(columns.of(trial.asks, place[trial.revision_id]), question)
    first = trial.counted_sessions.order_by("started_at").first()
    look = data.today() if first is None else data.at(timezone.localtime(first.started_at).toordinal() - 1)
    basis = basis_of(data, look)
    if basis is None:
        return None
    amount = question.expectation.change(answered.measure) if question.expectation else None
    return plan(
        basis,
        answered.measure,
        trial.planned_days,
        answered.result.error,
        amount,
        power=columns.known.trial_power_fraction,
        both_builds=trial.both_builds,
    )


def keep_plan(trial: Trial) -> None:
    """Store what the plan of a trial says before its first day."""
    season = Season.beyond_doubt(Vehicle.objects.select_related("assumptions").get(revisions=trial.revision_id))
    columns = MeasureColumns(season)
    before = plan_before(trial, answer_of(trial, own_answers(season, columns)), columns)
    trial.tells = None if before is None else before.tells
    trial.spread = None if before is None else before.spread
    trial.chance_of_none = None if before is None else before.chance_of_none
    trial.save(update_fields=["tells", "spread", "chance_of_none"])
