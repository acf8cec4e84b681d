"""The API of machines, their revisions and parts."""

from __future__ import annotations

from buildlog.machines.models import Fitting, Part, Revision, Vehicle
from buildlog.machines.serializers import (
    FittingSerializer,
    PartSerializer,
    RevisionSerializer,
    VehicleSerializer,
)
from buildlog.records.api import RecordViewSet


class VehicleViewSet(RecordViewSet):
    queryset = Vehicle.objects.all()
    serializer_class = VehicleSerializer
    machine_path = "pk"


class RevisionViewSet(RecordViewSet):
    queryset = Revision.objects.select_related("vehicle")
    serializer_class = RevisionSerializer
    machine_path = "vehicle"
    narrowed_by = ("vehicle",)


class PartViewSet(RecordViewSet):
    queryset = Part.objects.all()
    serializer_class = PartSerializer
    machine_path = "fittings__revision__vehicle"


class FittingViewSet(RecordViewSet):
    queryset = Fitting.objects.all()
    serializer_class = FittingSerializer
    machine_path = "revision__vehicle"
    narrowed_by = ("revision", "part")
