"""Instruments and formulas in the API."""

from __future__ import annotations

from buildlog.quantities.declared import quantity_names
from buildlog.records.serializers import RecordSerializer
from sessions.logs.models import FormulaChannel, Instrument


class InstrumentSerializer(RecordSerializer[Instrument]):
    class Meta:
        model = Instrument
        fields = ["id", "vehicle", "name", "columns", *quantity_names(Instrument), "notes"]


class FormulaChannelSerializer(RecordSerializer[FormulaChannel]):
    class Meta:
        model = FormulaChannel
        fields = ["id", "vehicle", "name", "formula", "unit", "notes"]
