"""The API of test cards."""

from __future__ import annotations

from buildlog.people.device_keys import FIELD_LOGGING
from buildlog.people.roles import Right
from buildlog.records.api import RecordViewSet
from sessions.bench.models import TestCard, TestCardItem
from sessions.bench.serializers import TestCardItemSerializer, TestCardSerializer


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
