"""The API of trials."""

from __future__ import annotations

from buildlog.records.api import RecordViewSet
from sessions.trials.models import Trial
from sessions.trials.serializers import TrialSerializer


class TrialViewSet(RecordViewSet):
    queryset = Trial.objects.all()
    page_order = ("revision_id", "id")
    serializer_class = TrialSerializer
    machine_path = "revision__vehicle"
    narrowed_by = ("revision",)
