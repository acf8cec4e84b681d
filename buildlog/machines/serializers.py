"""Machines, revisions, parts and fittings in the API."""

from __future__ import annotations

from copy import copy
from typing import Any

from django.core.exceptions import ValidationError
from rest_framework import serializers

from buildlog.machines.balance_tests import BalanceTest
from buildlog.machines.contacts import EXAMPLE
from buildlog.machines.going_to_ride import goes_to_ride, note_release, refusal
from buildlog.machines.models import Fitting, Part, Revision, Vehicle
from buildlog.machines.specifications import read_specification
from buildlog.quantities.declared import quantity_names
from buildlog.records.serializers import RecordSerializer


class VehicleSerializer(RecordSerializer[Vehicle]):
    class Meta:
        model = Vehicle
        fields = ["id", "name", "purpose", "invented"]
        read_only_fields = ["invented"]


class RevisionSerializer(RecordSerializer[Revision]):
    class Meta:
        model = Revision
        fields = [
            "id",
            "vehicle",
            "number",
            "parent",
            "date",
            "status",
            "purpose",
            "contacts",
            *quantity_names(Revision),
            "contact_points",
        ]
        extra_kwargs = {"contact_points": {"required": False, "help_text": f"Points such as {EXAMPLE}."}}

    def validate(self, attributes: dict[str, Any]) -> dict[str, Any]:
        """A revision goes to riding only while none of its points is open."""
        attributes = super().validate(attributes)
        before = self.instance.status if self.instance is not None else None
        revision = copy(self.instance) if self.instance is not None else Revision()
        for name, value in attributes.items():
            setattr(revision, name, value)
        self.goes_to_ride = goes_to_ride(revision, before)
        if self.goes_to_ride and (sentence := refusal(revision)):
            raise serializers.ValidationError({"status": sentence})
        return attributes

    def save(self, **kwargs: Any) -> Revision:
        saved: Revision = super().save(**kwargs)
        if self.goes_to_ride:
            note_release(saved)
        return saved


class PartSerializer(RecordSerializer[Part]):
    specification = serializers.JSONField(
        required=False, help_text="Numbers in the unit of their names, or texts with a unit. By category."
    )

    class Meta:
        model = Part
        fields = ["id", "name", "category", *quantity_names(Part), "specification", "counts_cycles", "notes"]

    def validate(self, attributes: dict[str, Any]) -> dict[str, Any]:
        category = str(attributes.get("category") or getattr(self.instance, "category", ""))
        specification = attributes.get("specification", getattr(self.instance, "specification", {}))
        try:
            attributes["specification"] = read_specification(category, specification)
        except ValidationError as error:
            raise serializers.ValidationError({"specification": error.message_dict}) from None
        return super().validate(attributes)


class FittingSerializer(RecordSerializer[Fitting]):
    class Meta:
        model = Fitting
        fields = [
            "id",
            "revision",
            "part",
            "quantity",
            *quantity_names(Fitting),
            "series",
            "parallel",
            "branch",
            "string",
        ]


class BalanceTestSerializer(RecordSerializer[BalanceTest]):
    class Meta:
        model = BalanceTest
        fields = ["id", "revision", "kind", "done_on", *quantity_names(BalanceTest), "loads", "side", "notes"]
