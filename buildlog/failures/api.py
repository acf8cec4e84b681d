"""The API of failures, and of the modifications that answer them."""

from __future__ import annotations

from buildlog.failures.models import Failure, FailureMode, Modification, SignOff, Verification
from buildlog.failures.serializers import (
    FailureModeSerializer,
    FailureSerializer,
    ModificationSerializer,
    SignOffSerializer,
    VerificationSerializer,
)
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
    queryset = Failure.objects.select_related("revision__vehicle__assumptions")
    page_order = ("-happened_at", "-id")
    serializer_class = FailureSerializer
    machine_path = "revision__vehicle"
    key_rights = FIELD_LOGGING
    narrowed_by = ("revision", "session", "mode", "part")
    write_right = Right.LOG


class VerificationViewSet(RecordViewSet):
    """Inspections, tests in steps and calculations that show a fix."""

    queryset = Verification.objects.all()
    page_order = ("modification_id", "done_on", "id")
    serializer_class = VerificationSerializer
    machine_path = "modification__revision__vehicle"
    narrowed_by = ("modification",)
    write_right = Right.LOG


class SignOffViewSet(RecordViewSet):
    """What people signed: that a fix has held, or that a mode is closed without one. Removing it takes the word back.

    Signed it is on the page of a failure, or by `state` of a failure, because it needs evidence.
    """

    http_method_names = ["get", "head", "options", "delete"]
    queryset = SignOff.objects.all()
    page_order = ("vehicle_id", "signed_at", "id")
    serializer_class = SignOffSerializer
    machine_path = "vehicle"
    narrowed_by = ("vehicle",)
