"""The API of pieces and of upkeep, and what is due of a machine."""

from __future__ import annotations

from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema

from buildlog.machines.individuals import Individual, IndividualFitting
from buildlog.machines.models import Vehicle
from buildlog.machines.queries import current_revision
from buildlog.people.roles import Right
from buildlog.records.api import RecordViewSet, WorkedOut
from buildlog.upkeep.due import Due, Upkeep
from buildlog.upkeep.models import UpkeepCheck, UpkeepItem
from buildlog.upkeep.serializers import (
    IndividualFittingSerializer,
    IndividualSerializer,
    UpkeepCheckSerializer,
    UpkeepItemSerializer,
)


class IndividualViewSet(RecordViewSet):
    """Pieces of parts, each known by its serial number or mark."""

    queryset = Individual.objects.all()
    page_order = ("part_id", "serial")
    serializer_class = IndividualSerializer
    machine_path = "places__fitting__revision__vehicle"
    narrowed_by = ("part",)


class IndividualFittingViewSet(RecordViewSet):
    """Where pieces were fitted, from when to when."""

    queryset = IndividualFitting.objects.all()
    page_order = ("individual_id", "id")
    serializer_class = IndividualFittingSerializer
    machine_path = "fitting__revision__vehicle"
    narrowed_by = ("individual", "fitting")


class UpkeepItemViewSet(RecordViewSet):
    queryset = UpkeepItem.objects.all()
    page_order = ("title", "id")
    serializer_class = UpkeepItemSerializer
    machine_path = "vehicle"
    narrowed_by = ("vehicle", "individual", "part")


class UpkeepCheckViewSet(RecordViewSet):
    queryset = UpkeepCheck.objects.all()
    page_order = ("item_id", "-done_on", "id")
    serializer_class = UpkeepCheckSerializer
    machine_path = "item__vehicle"
    narrowed_by = ("item",)
    write_right = Right.LOG


@extend_schema(responses=OpenApiTypes.OBJECT)
class VehicleUpkeep(WorkedOut):
    """What is due of a machine as it is now, what is due first: the words and numbers of the page *Upkeep*."""

    queryset = Vehicle.objects.all()
    machine_path = "pk"

    def answer(self, record: Vehicle) -> dict[str, Any]:
        revision = current_revision(record)
        due = Upkeep([record.pk]).on(revision) if revision is not None else []
        return {"revision": revision.number if revision else None, "upkeep": [_as_json(row) for row in due]}


def _as_json(row: Due) -> dict[str, Any]:
    return {
        "item": row.item.pk,
        "title": row.item.title,
        "kind": row.item.kind,
        "part": row.item.part_id,
        "individual": row.item.individual_id,
        "state": str(row.state),
        "sentence": row.sentence(),
        "last_done_on": row.last.done_on if row.last else None,
        "known_m": row.use.ridden.distance_m,
        "in_doubt": row.use.ridden.in_doubt,
        "runtime_s": row.use.ridden.runtime_s,
        "cycles": row.use.cycles,
        "days": row.days,
    }
