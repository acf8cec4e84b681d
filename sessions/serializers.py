"""What happened out there, as the API speaks it."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from django.db import transaction
from rest_framework import serializers

from buildlog.fields import QuantitySerializerField, serializer_arguments
from buildlog.serializers import RecordSerializer
from calc import geodesy
from sessions.models import (
    Gate,
    GateMark,
    GoNoGoCheck,
    Pass,
    Reading,
    Session,
    TestCard,
    TestCardItem,
    TrackPart,
    Venue,
)


class VenueSerializer(RecordSerializer):
    class Meta:
        model = Venue
        fields = ["id", "name", "notes"]


class GateMarkSerializer(serializers.ModelSerializer):
    position_m = QuantitySerializerField(
        **{**serializer_arguments(GateMark._meta.get_field("position_m")), "required": False}
    )
    latitude_deg = serializers.FloatField(required=False, allow_null=True, min_value=-90, max_value=90)
    longitude_deg = serializers.FloatField(required=False, allow_null=True, min_value=-180, max_value=180)

    class Meta:
        model = GateMark
        fields = ["position_m", "latitude_deg", "longitude_deg"]


class GateSerializer(RecordSerializer):
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
            method = attributes.get("method") or getattr(self.instance, "method", Gate.Method.TAPED)
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
            raise serializers.ValidationError({"marks": ["Each mark must stand farther from the first than the last."]})

    def save(self, **kwargs: Any) -> Gate:
        marks = self.validated_data.pop("marks", None)
        with transaction.atomic():
            gate = super().save(**kwargs)
            if marks is not None:
                gate.marks.all().delete()
                GateMark.objects.bulk_create(GateMark(gate=gate, **mark) for mark in marks)
        # What was read before the marks changed must not be shown.
        getattr(gate, "_prefetched_objects_cache", {}).clear()
        return gate


class SessionSerializer(RecordSerializer):
    class Meta:
        model = Session
        fields = [
            "id",
            "revision",
            "venue",
            "started_at",
            "ended_at",
            "rider_mass_kg",
            "payload_kg",
            "surface",
            "ice_thickness_cm",
            "air_temperature_c",
            "wind_speed_mps",
            "rest_voltage_start_v",
            "rest_voltage_end_v",
            "charge_used_ah",
            "energy_used_wh",
            "recharge_energy_wh",
            "runtime_s",
            "distance_m",
            "distance_method",
            "notes",
            "clock_correction_s",
        ]


class PassSerializer(RecordSerializer):
    number = serializers.IntegerField(
        required=False, min_value=1, max_value=2**31 - 1, help_text="Left out, it is the session's next."
    )

    class Meta:
        model = Pass
        fields = [
            "id",
            "session",
            "gate",
            "number",
            "time_into_session_s",
            "direction",
            "method",
            "duration_s",
            "split_times_s",
            "frames_per_s",
            "u_duration_s",
            "valid",
            "invalid_reason",
            "sequence",
        ]


class ReadingSerializer(RecordSerializer):
    class Meta:
        model = Reading
        fields = [
            "id",
            "session",
            "time_into_session_s",
            "voltage_v",
            "current_a",
            "charge_used_ah",
            "battery_temperature_c",
            "motor_temperature_c",
            "controller_temperature_c",
            "distance_m",
            "note",
            "sequence",
        ]


class GoNoGoCheckSerializer(RecordSerializer):
    class Meta:
        model = GoNoGoCheck
        fields = ["id", "session", *GoNoGoCheck.ITEMS, "reason_to_go_on"]


class TestCardSerializer(RecordSerializer):
    class Meta:
        model = TestCard
        fields = ["id", "revision", "title", "limits", "stops_the_day", "closed"]


class TestCardItemSerializer(RecordSerializer):
    class Meta:
        model = TestCardItem
        fields = ["id", "card", "position", "what", "why", "outcome", "session"]


class TrackPartSerializer(RecordSerializer):
    class Meta:
        model = TrackPart
        fields = ["id", "session", "fixes", "stopped_by_phone"]
