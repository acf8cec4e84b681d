"""The API of machines, their revisions and parts."""

from __future__ import annotations

from buildlog.machines.balance_tests import BalanceTest
from buildlog.machines.models import Fitting, Part, Revision, Vehicle
from buildlog.machines.serializers import (
    BalanceTestSerializer,
    FittingSerializer,
    PartSerializer,
    RevisionSerializer,
    VehicleSerializer,
)
from buildlog.records.api import RecordViewSet


class VehicleViewSet(RecordViewSet):
    queryset = Vehicle.objects.all()
    page_order = ("name",)
    serializer_class = VehicleSerializer
    machine_path = "pk"


class RevisionViewSet(RecordViewSet):
    queryset = Revision.objects.select_related("vehicle")
    page_order = ("vehicle_id", "number")
    serializer_class = RevisionSerializer
    machine_path = "vehicle"
    narrowed_by = ("vehicle",)


class PartViewSet(RecordViewSet):
    queryset = Part.objects.all()
    page_order = ("name", "id")
    serializer_class = PartSerializer
    machine_path = "fittings__revision__vehicle"


class FittingViewSet(RecordViewSet):
    queryset = Fitting.objects.all()
    page_order = ("revision_id", "id")
    serializer_class = FittingSerializer
    machine_path = "revision__vehicle"
    narrowed_by = ("revision", "part")


class BalanceTestViewSet(RecordViewSet):
    queryset = BalanceTest.objects.all()
    page_order = ("revision_id", "id")
    serializer_class = BalanceTestSerializer
    machine_path = "revision__vehicle"
    narrowed_by = ("revision",)
