"""What was built and what broke, as the API speaks it."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ObjectDoesNotExist, ValidationError
from rest_framework import serializers
from rest_framework.exceptions import PermissionDenied

from buildlog.fields import QuantityField, QuantitySerializerField, serializer_arguments
from buildlog.models import Failure, FailureMode, Fitting, Modification, Part, Photo, Revision, Vehicle
from buildlog.specifications import read_specification


class RecordSerializer(serializers.ModelSerializer):
    """A record whose key may be made by the client, and whose model rules hold here too."""

    id = serializers.UUIDField(required=False)

    def build_standard_field(self, field_name: str, model_field: Any) -> Any:
        if isinstance(model_field, QuantityField):
            return QuantitySerializerField, serializer_arguments(model_field)
        return super().build_standard_field(field_name, model_field)

    def get_validators(self) -> list[Any]:
        # Uniqueness over several fields is checked by the model, with its kind sentence.
        return []

    def validate(self, attributes: dict[str, Any]) -> dict[str, Any]:
        """Build the record as it would be stored, and let the model judge it."""
        plain = {name: value for name, value in attributes.items() if self._is_own_column(name)}
        record = self.Meta.model()
        if self.instance is not None:
            for field in self.instance._meta.concrete_fields:
                setattr(record, field.attname, getattr(self.instance, field.attname))
            record._state.adding = False
        for name, value in plain.items():
            setattr(record, name, value)
        for held in (self.instance, record):
            self._is_within_reach(held)
        try:
            record.full_clean(validate_unique=True)
        except ValidationError as error:
            raise serializers.ValidationError(_by_field(error)) from None
        for name in plain:
            attributes[name] = getattr(record, name)
        return attributes

    def _is_within_reach(self, record: Any) -> None:
        """A device's key reaches its own machine: neither what it changes nor what it makes is another's."""
        if record is None or "only_machine" not in self.context:
            return
        path, vehicle = self.context["only_machine"]
        *steps, last = path.split("__")
        try:
            for step in steps:
                record = getattr(record, step)
            found = getattr(record, f"{last}_id")
        except ObjectDoesNotExist:
            # What it belongs to was left out; the model says so next.
            return
        if found is not None and found != vehicle:
            raise PermissionDenied("This key reaches the records of its own machine only.")

    def _is_own_column(self, name: str) -> bool:
        return any(field.name == name for field in self.Meta.model._meta.concrete_fields)


def _by_field(error: ValidationError) -> dict[str, list[str]]:
    found = dict(error.message_dict)
    if "__all__" in found:
        found["non_field_errors"] = found.pop("__all__")
    return found


class VehicleSerializer(RecordSerializer):
    class Meta:
        model = Vehicle
        fields = ["id", "name", "purpose", "invented"]
        read_only_fields = ["invented"]


class RevisionSerializer(RecordSerializer):
    class Meta:
        model = Revision
        fields = [
            "id",
            "vehicle",
            "number",
            "parent",
            "date",
            "status",
            "purpose",
            "contacts",
            "track_width_m",
            "wheelbase_m",
            "rolling_circumference_m",
            "drive_ratio",
            "mass_without_rider_kg",
            "cg_height_m",
            "seat_x_m",
            "seat_z_m",
        ]


class PartSerializer(RecordSerializer):
    specification = serializers.JSONField(
        required=False, help_text="Numbers in the unit of their names, or texts with a unit. By category."
    )

    class Meta:
        model = Part
        fields = ["id", "name", "category", "mass_kg", "specification", "notes"]

    def validate(self, attributes: dict[str, Any]) -> dict[str, Any]:
        category = attributes.get("category") or getattr(self.instance, "category", "")
        given = attributes.get("specification", getattr(self.instance, "specification", {}))
        try:
            attributes["specification"] = read_specification(category, given)
        except ValidationError as error:
            raise serializers.ValidationError({"specification": error.message_dict}) from None
        return super().validate(attributes)


class FittingSerializer(RecordSerializer):
    class Meta:
        model = Fitting
        fields = ["id", "revision", "part", "quantity", "x_m", "z_m", "series", "parallel"]


class ModificationSerializer(RecordSerializer):
    class Meta:
        model = Modification
        fields = [
            "id",
            "revision",
            "title",
            "reason",
            "expected_measure",
            "expected_direction",
            "expected_amount_percent",
            "answers",
        ]


class FailureModeSerializer(RecordSerializer):
    class Meta:
        model = FailureMode
        fields = ["id", "name"]


class FailureSerializer(RecordSerializer):
    mode = serializers.PrimaryKeyRelatedField(queryset=FailureMode.objects.all(), required=False)
    mode_name = serializers.CharField(
        write_only=True, required=False, max_length=80, help_text="Instead of mode; a new word joins the vocabulary."
    )

    class Meta:
        model = Failure
        fields = [
            "id",
            "revision",
            "session",
            "happened_at",
            "time_into_session_s",
            "distance_into_session_m",
            "mode",
            "mode_name",
            "part",
            "severity",
            "effect",
            "conditions",
            "cause",
            "state",
            "recurrence_of",
        ]
        read_only_fields = ["state", "recurrence_of"]

    def validate(self, attributes: dict[str, Any]) -> dict[str, Any]:
        name = attributes.pop("mode_name", "").strip()
        new_mode = None
        if name:
            known = FailureMode.objects.filter(name__iexact=name).first()
            new_mode = known or FailureMode.objects.create(name=name)
            attributes["mode"] = new_mode
        if "mode" not in attributes and self.instance is None:
            raise serializers.ValidationError({"mode": ["Give a mode, or a mode_name such as 'chain came off'."]})
        return super().validate(attributes)


class PhotoSerializer(serializers.ModelSerializer):
    id = serializers.UUIDField(required=False)
    image = serializers.FileField(write_only=True)
    image_url = serializers.HyperlinkedIdentityField(view_name="photo_image")
    thumbnail_url = serializers.HyperlinkedIdentityField(view_name="photo_thumbnail")

    class Meta:
        model = Photo
        fields = [
            "id",
            "revision",
            "part",
            "failure",
            "session",
            "caption",
            "image",
            "image_url",
            "thumbnail_url",
            "width_px",
            "height_px",
        ]
        read_only_fields = ["width_px", "height_px"]
