"""Test cards as the API speaks them."""

from __future__ import annotations

from buildlog.records.serializers import RecordSerializer
from sessions.bench.models import TestCard, TestCardItem


class TestCardSerializer(RecordSerializer[TestCard]):
    class Meta:
        model = TestCard
        fields = ["id", "revision", "title", "limits", "stops_the_day", "closed"]


class TestCardItemSerializer(RecordSerializer[TestCardItem]):
    class Meta:
        model = TestCardItem
        fields = ["id", "card", "position", "what", "why", "outcome", "session"]
