"""The API of venues, sessions, passes and readings."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import status
from rest_framework.request import Request
from rest_framework.response import Response

from buildlog.people.device_keys import ADDING_READINGS, FIELD_LOGGING
from buildlog.people.roles import Right
from buildlog.records.api import RecordViewSet
from sessions.outings.models import Gate, GoNoGoCheck, MarkTap, Pass, Reading, Session, TrackPart, Venue
from sessions.outings.pushed_readings import MOST_AT_ONCE, take_readings
from sessions.outings.serializers import (
    GateSerializer,
    GoNoGoCheckSerializer,
    MarkTapSerializer,
    PassSerializer,
    ReadingSerializer,
    SessionSerializer,
    TrackPartSerializer,
    VenueSerializer,
)

_READING = {"$ref": "#/components/schemas/Reading"}
_OUTCOME = {
    "type": "object",
    "properties": {
        "id": {"type": "string", "format": "uuid"},
        "outcome": {"type": "string", "enum": ["stored", "was there", "differs", "refused"]},
        "errors": {"description": "Sentences, under the name of each field that is wrong."},
        "doubts": {
            "type": "array",
            "items": {"type": "object"},
            "description": "Why the values of a stored reading can hardly be, and what was probably meant.",
        },
    },
    "required": ["outcome"],
}
ONE_OR_MANY = {
    "application/json": {"anyOf": [_READING, {"type": "array", "items": _READING, "maxItems": MOST_AT_ONCE}]}
}
OUTCOMES = {"anyOf": [{"type": "array", "items": _OUTCOME}, _OUTCOME]}
STORED = {"anyOf": [_READING, _OUTCOME]}


class VenueViewSet(RecordViewSet):
    queryset = Venue.objects.all()
    page_order = ("name",)
    serializer_class = VenueSerializer
    machine_path = "sessions__revision__vehicle"
    write_right = Right.LOG


class GateViewSet(RecordViewSet):
    queryset = Gate.objects.prefetch_related("marks")
    page_order = ("venue_id", "name")
    serializer_class = GateSerializer
    machine_path = "venue__sessions__revision__vehicle"
    narrowed_by = ("venue",)
    write_right = Right.LOG


class SessionViewSet(RecordViewSet):
    queryset = Session.objects.all()
    page_order = ("-started_at", "-id")
    serializer_class = SessionSerializer
    machine_path = "revision__vehicle"
    key_rights = FIELD_LOGGING
    narrowed_by = ("revision", "venue")
    write_right = Right.LOG


class PassViewSet(RecordViewSet):
    queryset = Pass.objects.all()
    page_order = ("session_id", "number", "id")
    serializer_class = PassSerializer
    machine_path = "session__revision__vehicle"
    key_rights = FIELD_LOGGING
    narrowed_by = ("session", "gate")
    write_right = Right.LOG


class ReadingViewSet(RecordViewSet):
    """Readings; `POST` takes one or a list, from people and from devices that send by themselves.

    A reading with a key, or with the time from a device, is stored once however often it is sent.
    """

    queryset = Reading.objects.all()
    page_order = ("session_id", "time_into_session_s", "id")
    serializer_class = ReadingSerializer
    narrowed_by = ("session",)
    write_right = Right.LOG
    machine_path = "session__revision__vehicle"
    key_rights = ADDING_READINGS

    @extend_schema(request=ONE_OR_MANY, responses={200: OUTCOMES, 201: STORED})
    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        if request.auth is None and not isinstance(request.data, list):
            return super().create(request, *args, **kwargs)
        several = isinstance(request.data, list)
        outcomes = take_readings(request.data if isinstance(request.data, list) else [request.data], self.request.auth)
        if several:
            return Response(outcomes, status=status.HTTP_200_OK)
        [outcome] = outcomes
        code = {"stored": status.HTTP_201_CREATED, "was there": status.HTTP_200_OK}.get(outcome["outcome"])
        return Response(outcome, status=code or status.HTTP_400_BAD_REQUEST)


class GoNoGoCheckViewSet(RecordViewSet):
    queryset = GoNoGoCheck.objects.all()
    serializer_class = GoNoGoCheckSerializer
    machine_path = "session__revision__vehicle"
    key_rights = FIELD_LOGGING
    narrowed_by = ("session",)
    write_right = Right.LOG


class TrackPartViewSet(RecordViewSet):
    queryset = TrackPart.objects.all()
    page_order = ("session_id", "first_fix_s", "id")
    serializer_class = TrackPartSerializer
    machine_path = "session__revision__vehicle"
    key_rights = FIELD_LOGGING
    narrowed_by = ("session",)
    write_right = Right.LOG


class MarkTapViewSet(RecordViewSet):
    """Moments at the ends of a gate, each by a phone of its own; where two fit together, a pass is made of them."""

    queryset = MarkTap.objects.all()
    page_order = ("session_id", "at", "id")
    serializer_class = MarkTapSerializer
    machine_path = "session__revision__vehicle"
    key_rights = FIELD_LOGGING
    narrowed_by = ("session", "gate")
    write_right = Right.LOG
