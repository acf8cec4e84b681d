"""Test cards as the API speaks them."""

from __future__ import annotations

from buildlog.records.serializers import RecordSerializer
from sessions.bench.models import TestCard, TestCardItem


class TestCardSerializer(RecordSerializer):
    class Meta:
        model = TestCard
        fields = ["id", "revision", "title", "limits", "stops_the_day", "closed"]


class TestCardItemSerializer(RecordSerializer):
    class Meta:
        model = TestCardItem
        fields = ["id", "card", "position", "what", "why", "outcome", "session"]
