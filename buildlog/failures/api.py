"""The API of failures, and of the modifications that answer them."""

from __future__ import annotations

from buildlog.failures.models import Failure, FailureMode, Modification
from buildlog.failures.serializers import FailureModeSerializer, FailureSerializer, ModificationSerializer
from buildlog.people.device_keys import FIELD_LOGGING
from buildlog.people.roles import Right
from buildlog.records.api import RecordViewSet


class ModificationViewSet(RecordViewSet):
    queryset = Modification.objects.prefetch_related("answers")
    page_order = ("revision_id", "title", "id")
    serializer_class = ModificationSerializer
    machine_path = "revision__vehicle"
    narrowed_by = ("revision",)


class FailureModeViewSet(RecordViewSet):
    queryset = FailureMode.objects.all()
    page_order = ("name",)
    serializer_class = FailureModeSerializer
    machine_path = "failures__revision__vehicle"
    write_right = Right.LOG


class FailureViewSet(RecordViewSet):
    queryset = Failure.objects.all()
    page_order = ("-happened_at", "-id")
    serializer_class = FailureSerializer
    machine_path = "revision__vehicle"
    key_rights = FIELD_LOGGING
    narrowed_by = ("revision", "session", "mode", "part")
    write_right = Right.LOG
