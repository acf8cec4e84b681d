"""The API of a machine's instruments, and of formulas over what they log."""

from __future__ import annotations

from buildlog.records.api import RecordViewSet
from sessions.logs.models import FormulaChannel, Instrument
from sessions.logs.serializers import FormulaChannelSerializer, InstrumentSerializer


class InstrumentViewSet(RecordViewSet):
    queryset = Instrument.objects.all()
    page_order = ("vehicle_id", "name")
    serializer_class = InstrumentSerializer
    machine_path = "vehicle"
    narrowed_by = ("vehicle",)


class FormulaChannelViewSet(RecordViewSet):
    queryset = FormulaChannel.objects.all()
    page_order = ("vehicle_id", "name")
    serializer_class = FormulaChannelSerializer
    machine_path = "vehicle"
    narrowed_by = ("vehicle",)
