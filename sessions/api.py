"""The API of what happened out there."""

from __future__ import annotations

from buildlog.api import RecordViewSet
from buildlog.roles import Right
from sessions.models import Gate, Pass, Reading, Session, Venue
from sessions.serializers import (
    GateSerializer,
    PassSerializer,
    ReadingSerializer,
    SessionSerializer,
    VenueSerializer,
)


class VenueViewSet(RecordViewSet):
    queryset = Venue.objects.all()
    serializer_class = VenueSerializer
    write_right = Right.LOG


class GateViewSet(RecordViewSet):
    queryset = Gate.objects.prefetch_related("marks")
    serializer_class = GateSerializer
    narrowed_by = ("venue",)
    write_right = Right.LOG


class SessionViewSet(RecordViewSet):
    queryset = Session.objects.all()
    serializer_class = SessionSerializer
    narrowed_by = ("revision", "venue")
    write_right = Right.LOG


class PassViewSet(RecordViewSet):
    queryset = Pass.objects.all()
    serializer_class = PassSerializer
    narrowed_by = ("session", "gate")
    write_right = Right.LOG


class ReadingViewSet(RecordViewSet):
    queryset = Reading.objects.all()
    serializer_class = ReadingSerializer
    narrowed_by = ("session",)
    write_right = Right.LOG
