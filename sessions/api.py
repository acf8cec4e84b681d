"""The API of what happened out there."""

from __future__ import annotations

from buildlog.api import RecordViewSet
from buildlog.roles import Right
from sessions.models import (
    Gate,
    GoNoGoCheck,
    Pass,
    Reading,
    Session,
    TestCard,
    TestCardItem,
    TrackPart,
    Venue,
)
from sessions.serializers import (
    GateSerializer,
    GoNoGoCheckSerializer,
    PassSerializer,
    ReadingSerializer,
    SessionSerializer,
    TestCardItemSerializer,
    TestCardSerializer,
    TrackPartSerializer,
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


class GoNoGoCheckViewSet(RecordViewSet):
    queryset = GoNoGoCheck.objects.order_by("pk")
    serializer_class = GoNoGoCheckSerializer
    narrowed_by = ("session",)
    write_right = Right.LOG


class TestCardViewSet(RecordViewSet):
    queryset = TestCard.objects.all()
    serializer_class = TestCardSerializer
    narrowed_by = ("revision",)
    write_right = Right.LOG


class TestCardItemViewSet(RecordViewSet):
    queryset = TestCardItem.objects.all()
    serializer_class = TestCardItemSerializer
    narrowed_by = ("card", "session")
    write_right = Right.LOG


class TrackPartViewSet(RecordViewSet):
    queryset = TrackPart.objects.all()
    serializer_class = TrackPartSerializer
    narrowed_by = ("session",)
    write_right = Right.LOG
