"""Pieces, their places, and upkeep in the API."""

from __future__ import annotations

from buildlog.machines.individuals import Individual, IndividualFitting
from buildlog.quantities.declared import quantity_names
from buildlog.records.serializers import RecordSerializer
from buildlog.upkeep.models import UpkeepCheck, UpkeepItem


class IndividualSerializer(RecordSerializer[Individual]):
    class Meta:
        model = Individual
        fields = ["id", "part", "serial", *quantity_names(Individual), "cycles_before", "scrapped_on", "notes"]


class IndividualFittingSerializer(RecordSerializer[IndividualFitting]):
    class Meta:
        model = IndividualFitting
        fields = ["id", "individual", "fitting", "fitted_on", "removed_on"]


class UpkeepItemSerializer(RecordSerializer[UpkeepItem]):
    class Meta:
        model = UpkeepItem
        fields = [
            "id",
            "vehicle",
            "individual",
            "part",
            "kind",
            "title",
            *quantity_names(UpkeepItem),
            "every_cycles",
            "every_days",
            "notes",
        ]


class UpkeepCheckSerializer(RecordSerializer[UpkeepCheck]):
    class Meta:
        model = UpkeepCheck
        fields = ["id", "item", "done_on", "done_by", *quantity_names(UpkeepCheck), "finding"]
