"""Serializers of venues, sessions, passes and readings."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from rest_framework import serializers

from buildlog.quantities.declared import quantity_names
from buildlog.quantities.fields import QuantitySerializerField, serializer_arguments
from buildlog.records.serializers import RecordSerializer
from calc import geodesy
from sessions.outings.models import (
    Gate,
    GateMark,
    GoNoGoCheck,
    MarkTap,
    Pass,
    Reading,
    Session,
    TrackPart,
    Venue,
    VoiceNote,
)
from sessions.outings.models.outings import STANDING_START
from sessions.outings.voice_files import kind_of


class VenueSerializer(RecordSerializer[Venue]):
    class Meta:
        model = Venue
        fields = ["id", "name", "notes"]


class GateMarkSerializer(serializers.ModelSerializer[GateMark]):
    position_m = QuantitySerializerField(
        **{**serializer_arguments(GateMark._meta.get_field("position_m")), "required": False}
    )
    latitude_deg = serializers.FloatField(required=False, allow_null=True, min_value=-90, max_value=90)
    longitude_deg = serializers.FloatField(required=False, allow_null=True, min_value=-180, max_value=180)

    class Meta:
        model = GateMark
        fields = ["position_m", "latitude_deg", "longitude_deg"]


class GateSerializer(RecordSerializer[Gate]):
    marks = GateMarkSerializer(many=True)

    class Meta:
        model = Gate
        fields = ["id", "venue", "name", "method", "u_distance_m", "marks"]

    def validate_marks(self, marks: list[dict[str, Any]]) -> list[dict[str, Any]]:
        if len(marks) < 2:
            raise serializers.ValidationError("A gate needs at least two marks, for example at 0 m and at 100 m.")
        if len(marks) > 50:
            raise serializers.ValidationError("A gate has at most 50 marks.")
        return marks

    def validate(self, attributes: dict[str, Any]) -> dict[str, Any]:
        attributes = super().validate(attributes)
        marks = attributes.get("marks")
        if marks is not None:
            method = str(attributes.get("method") or getattr(self.instance, "method", Gate.Method.TAPED))
            self._place(marks, method)
        return attributes

    def _place(self, marks: list[dict[str, Any]], method: str) -> None:
        if method == Gate.Method.COORDINATES:
            if any(mark.get("latitude_deg") is None or mark.get("longitude_deg") is None for mark in marks):
                raise serializers.ValidationError({"marks": ["Each mark needs latitude_deg and longitude_deg."]})
            first = marks[0]
            for mark in marks:
                mark["position_m"] = float(
                    geodesy.distance_m(
                        first["latitude_deg"], first["longitude_deg"], mark["latitude_deg"], mark["longitude_deg"]
                    )
                )
        elif any("position_m" not in mark for mark in marks):
            raise serializers.ValidationError({"marks": ["Each mark needs position_m, for example 0 and 100."]})
        if any(later["position_m"] <= earlier["position_m"] for earlier, later in pairwise(marks)):
            raise serializers.ValidationError({"marks": ["Each mark must be farther from the first than the last."]})

    def save(self, **kwargs: Any) -> Gate:
        marks = self.validated_data.pop("marks", None)
        with transaction.atomic():
            gate = super().save(**kwargs)
            if marks is not None:
                gate.marks.all().delete()
                GateMark.objects.bulk_create(GateMark(gate=gate, **mark) for mark in marks)
        # The positions that were read before the change are out of date.
        getattr(gate, "_prefetched_objects_cache", {}).clear()
        return gate


class SessionSerializer(RecordSerializer[Session]):
    class Meta:
        model = Session
        fields = [
            "id",
            "revision",
            "venue",
            "started_at",
            "ended_at",
            "surface",
            "distance_method",
            "notes",
            *quantity_names(Session),
        ]


class PassSerializer(RecordSerializer[Pass]):
    number = serializers.IntegerField(
        required=False, min_value=1, max_value=2**31 - 1, help_text="If left out, the next number of the session."
    )

    class Meta:
        model = Pass
        fields = [
            "id",
            "session",
            "gate",
            "number",
            "direction",
            "start",
            "method",
            "split_times_s",
            "valid",
            "invalid_reason",
            *quantity_names(Pass),
            "sequence",
        ]

    def validate(self, attributes: dict[str, Any]) -> dict[str, Any]:
        stored: Any = self.instance
        stored_start, stored_reason = (stored.start, stored.invalid_reason) if stored is not None else ("", "")
        if attributes.get("invalid_reason") == STANDING_START and attributes.get("valid") is False:
            attributes.setdefault("start", Pass.Start.STANDING)  # from a phone's page of an earlier version
        if attributes.get("start", stored_start):
            if attributes.get("valid"):
                words = "A standing start counts for no speed. If it was a flying one, send start as an empty text."
                raise serializers.ValidationError({"valid": [words]})
            reason = attributes.get("invalid_reason") or stored_reason or STANDING_START
            attributes |= {"valid": False, "invalid_reason": reason}
        elif stored_start and "valid" not in attributes:
            attributes |= {"valid": True, "invalid_reason": ""}
        return super().validate(attributes)


class ReadingSerializer(RecordSerializer[Reading]):
    class Meta:
        model = Reading
        fields = ["id", "session", *quantity_names(Reading), "note", "sequence"]


class GoNoGoCheckSerializer(RecordSerializer[GoNoGoCheck]):
    class Meta:
        model = GoNoGoCheck
        fields = ["id", "session", *GoNoGoCheck.ITEMS, "machine_points", "reason_to_go_on"]


class TrackPartSerializer(RecordSerializer[TrackPart]):
    class Meta:
        model = TrackPart
        fields = ["id", "session", "fixes", "stopped_by_phone"]


class MarkTapSerializer(RecordSerializer[MarkTap]):
    class Meta:
        model = MarkTap
        fields = ["id", "session", "gate", "at_last_mark", "at", "u_s", "valid", "invalid_reason"]


class VoiceNoteSerializer(RecordSerializer[VoiceNote]):
    unversioned = ("sound_url",)
    sound = serializers.FileField(write_only=True)
    sound_url = serializers.HyperlinkedIdentityField(view_name="voice_note_sound")

    class Meta:
        model = VoiceNote
        fields = [
            "id",
            "session",
            "time_into_session_s",
            "duration_s",
            "kind",
            "sound",
            "sound_url",
            "caption",
            "sequence",
        ]
        read_only_fields = ["kind"]

    def validate(self, attributes: dict[str, Any]) -> dict[str, Any]:
        sound = attributes.get("sound")
        if sound is None:
            return super().validate(attributes)
        try:
            attributes["kind"] = kind_of(sound)
        except ValidationError as error:
            raise serializers.ValidationError({"sound": error.messages}) from None
        return super().validate(attributes) | {"sound": sound}
