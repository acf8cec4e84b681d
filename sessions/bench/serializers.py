"""Serializers of test cards."""

from __future__ import annotations

from rest_framework import serializers

from buildlog.records.serializers import RecordSerializer
from sessions.bench.models import TestCard, TestCardItem
from sessions.trials.models import Trial


class TestCardSerializer(RecordSerializer[TestCard]):
    trial = serializers.PrimaryKeyRelatedField(
        queryset=Trial.objects.select_related("revision"), allow_null=True, required=False,
        help_text="The trial of which the card plans a day, if it does.",
    )  # fmt: skip

    class Meta:
        model = TestCard
        fields = ["id", "revision", "trial", "title", "limits", "stops_the_day", "closed"]


class TestCardItemSerializer(RecordSerializer[TestCardItem]):
    class Meta:
        model = TestCardItem
        fields = ["id", "card", "position", "what", "why", "outcome", "session"]
