"""The API of test cards, and of the limits of a build."""

from __future__ import annotations

from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema

from buildlog.machines.limits import limits_of
from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision
from buildlog.machines.seen_voltages import seen_voltages
from buildlog.people.device_keys import FIELD_LOGGING
from buildlog.people.roles import Right
from buildlog.records.api import RecordViewSet, WorkedOut
from calc.results import plain
from sessions.bench.machine_bench import ride_of
from sessions.bench.models import TestCard, TestCardItem
from sessions.bench.serializers import TestCardItemSerializer, TestCardSerializer


@extend_schema(responses=OpenApiTypes.OBJECT)
class RevisionLimits(WorkedOut):
    """Every result and limit of a build, ridden as the machine is ridden today."""

    queryset = Revision.objects.select_related("vehicle__assumptions")
    machine_path = "vehicle"

    def answer(self, record: Revision) -> dict[str, Any]:
        ride = ride_of(record.vehicle)
        machine = Machine.in_line(record, seen_voltages(record.vehicle))
        return {
            "revision": record.pk,
            "rider_kg": ride.rider_kg,
            "consumption_wh_per_km": ride.consumption_wh_per_km,
            "limits": [plain(result) for result in limits_of(machine, ride)],
        }


class TestCardViewSet(RecordViewSet):
    queryset = TestCard.objects.all()
    serializer_class = TestCardSerializer
    machine_path = "revision__vehicle"
    narrowed_by = ("revision",)
    write_right = Right.LOG


class TestCardItemViewSet(RecordViewSet):
    queryset = TestCardItem.objects.all()
    serializer_class = TestCardItemSerializer
    machine_path = "card__revision__vehicle"
    key_rights = FIELD_LOGGING
    narrowed_by = ("card", "session")
    write_right = Right.LOG
