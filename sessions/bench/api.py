"""The API of test cards, and of the limits of a build."""

from __future__ import annotations

from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema

from buildlog.failures.models import Modification
from buildlog.machines.limits import limits_of
from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision, Vehicle
from buildlog.machines.seen_voltages import seen_voltages
from buildlog.machines.wiring_results import wiring_results
from buildlog.people.device_keys import FIELD_LOGGING
from buildlog.people.roles import Right
from buildlog.records.api import RecordViewSet, WorkedOut
from calc.results import plain
from sessions.bench.bench_json import bench_json
from sessions.bench.failure_questions import failure_questions
from sessions.bench.machine_bench import Filters, bench_of, ride_of
from sessions.bench.models import TestCard, TestCardItem
from sessions.bench.release import release_as_json, release_state
from sessions.bench.serializers import TestCardItemSerializer, TestCardSerializer
from sessions.evidence.season import Season
from sessions.trials.decisions import keep_decisions, trials_of
from sessions.trials.measure_columns import MeasureColumns
from sessions.trials.questions import answer, as_json, every_pair, own_questions, planned_by


@extend_schema(responses=OpenApiTypes.OBJECT)
class RevisionLimits(WorkedOut):
    """Every result and limit of a build, ridden as the machine is ridden today, and its points before it is ridden."""

    queryset = Revision.objects.select_related("vehicle__assumptions")
    machine_path = "vehicle"

    def answer(self, record: Revision) -> dict[str, Any]:
        ride = ride_of(record.vehicle)
        machine = Machine.in_line(record, seen_voltages(record.vehicle))
        return {
            "revision": record.pk,
            "rider_kg": ride.rider_kg,
            "consumption_wh_per_km": ride.consumption_wh_per_km,
            "limits": [plain(result) for result in [*limits_of(machine, ride), *wiring_results(machine)]],
            "release": release_as_json(
                release_state(record, machine=machine, load_kg=ride.rider_kg or record.rider_mass_kg)
            ),
        }


@extend_schema(
    parameters=[OpenApiParameter("pairs", str, enum=["all"], description="Every revision, on all measures.")],
    responses=OpenApiTypes.OBJECT,
)
class VehicleComparison(WorkedOut):
    """The questions of a machine, all under one error, with today's answer to each.

    The newest revision that was ridden is asked against its parent, every modification what it was expected to
    change, and every trial its question. With `pairs=all` every revision against its parent and the first, on all
    measures: more questions make each answer harder to reach.
    """

    queryset = Vehicle.objects.select_related("assumptions")
    machine_path = "pk"

    def answer(self, record: Vehicle) -> dict[str, Any]:
        season = Season.beyond_doubt(record)
        columns, trials = MeasureColumns(season), trials_of(record)
        error = columns.known.page_error_fraction
        if self.request.query_params.get("pairs") == "all":
            questions = [as_json(row) for row in answer(columns, planned_by(every_pair(season), trials))]
            return {"questions": questions, "error": error}
        modifications = list(
            Modification.objects.filter(revision__vehicle=record).order_by("revision__number", "title")
        )
        answers = answer(columns, own_questions(season, modifications, trials))
        keep_decisions(answers)
        questions = [as_json(row) for row in answers]
        return {"questions": [*questions, *failure_questions(record, season, modifications)], "error": error}


@extend_schema(responses=OpenApiTypes.OBJECT)
class VehicleBench(WorkedOut):
    """What comes next, each failure mode with its fixes, and the trials: the decisions of the page *Bench*.

    `next` is in order: `kind` is one of do_not_ride, settle_this, fix_this, ride_this_trial, stop_testing_this.
    `state` of a mode is one of open, fix_fitted, watching, held, recurred; limits of rates are 90 %. `answer` is one
    of did_what_it_should, helped_less_than_expected, did_nothing_that_matters, made_it_worse, not_yet_known.
    """

    queryset = Vehicle.objects.select_related("assumptions")
    machine_path = "pk"

    def answer(self, record: Vehicle) -> dict[str, Any]:
        return bench_json(bench_of(record, Filters()))


class TestCardViewSet(RecordViewSet):
    queryset = TestCard.objects.all()
    page_order = ("revision_id", "id")
    serializer_class = TestCardSerializer
    machine_path = "revision__vehicle"
    narrowed_by = ("revision",)
    write_right = Right.LOG


class TestCardItemViewSet(RecordViewSet):
    queryset = TestCardItem.objects.all()
    page_order = ("card_id", "position", "id")
    serializer_class = TestCardItemSerializer
    machine_path = "card__revision__vehicle"
    key_rights = FIELD_LOGGING
    narrowed_by = ("card", "session")
    write_right = Right.LOG
