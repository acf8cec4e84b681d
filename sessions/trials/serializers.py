"""Trials in the API."""

from __future__ import annotations

from typing import Any

from django.db import transaction
from rest_framework import serializers

from buildlog.records.serializers import RecordSerializer
from sessions.trials.models import Trial
from sessions.trials.plans import keep_plan

KEPT = (
    "opened_on",
    "counts_from",
    "closed_on",
    "tells",
    "spread",
    "chance_of_none",
    "decided_on",
    "decided_answer",
    "decided_change",
    "decided_lower",
    "decided_upper",
    "decided_confidence",
    "decided_days",
    "decided_against_days",
)


class TrialSerializer(RecordSerializer[Trial]):
    """The question and what counts for it are settled when it is opened; the plan, its figures and the decision are
    kept by rule. None of that can be written."""

    unversioned = KEPT
    decided_answer = serializers.CharField(read_only=True, help_text="Empty until it is decided.")

    class Meta:
        model = Trial
        fields = ["id", "revision", "against", "measure", "modification", "planned_days", "both_builds", "note", *KEPT]
        read_only_fields = KEPT

    def create(self, validated_data: dict[str, Any]) -> Trial:
        with transaction.atomic():
            trial = Trial(**validated_data)
            trial.settle_what_counts()
            trial.save(force_insert=True)
            keep_plan(trial)
        return trial

    def update(self, instance: Trial, validated_data: dict[str, Any]) -> Trial:
        before = [getattr(instance, name) for name in Trial.PLAN]
        with transaction.atomic():
            trial = super().update(instance, validated_data)
            if [getattr(trial, name) for name in Trial.PLAN] != before:
                keep_plan(trial)
        return trial
