"""What was built and what broke, as the API speaks it."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ObjectDoesNotExist, ValidationError
from rest_framework import serializers
from rest_framework.exceptions import PermissionDenied

from buildlog.failure_loop import IllegalTransition, move
from buildlog.fields import QuantityField, QuantitySerializerField, serializer_arguments
from buildlog.models import Failure, FailureMode, Fitting, Modification, Part, Photo, Revision, Vehicle
from buildlog.put_record import VERSION, version_of
from buildlog.roles import Right, has_right
from buildlog.specifications import read_specification


class VersionedSerializer(serializers.ModelSerializer):
    """A record with its version, which is worked out of all the rest."""

    id = serializers.UUIDField(required=False)
    version = serializers.CharField(
        required=False,
        allow_blank=True,
        allow_null=True,
        help_text="Worked out from the content. Send it back with a change: the change is refused where "
        "somebody else changed the record since.",
    )
    unversioned: tuple[str, ...] = ()
    """What is no content of the record, such as where a file is fetched."""

    def get_field_names(self, *args: Any) -> list[str]:
        return [*super().get_field_names(*args), VERSION]

    def to_representation(self, instance: Any) -> dict[str, Any]:
        # The field itself reads nothing: no model has such a column.
        written = super().to_representation(instance)
        content = {name: value for name, value in written.items() if name not in self.unversioned}
        return {**written, VERSION: version_of(content)}

    def validate(self, attributes: dict[str, Any]) -> dict[str, Any]:
        attributes.pop(VERSION, None)
        return attributes


class RecordSerializer(VersionedSerializer):
    """A record whose key may be made by the client, and whose model rules hold here too."""

    def build_standard_field(self, field_name: str, model_field: Any) -> Any:
        if isinstance(model_field, QuantityField):
            return QuantitySerializerField, serializer_arguments(model_field)
        return super().build_standard_field(field_name, model_field)

    def get_validators(self) -> list[Any]:
        # Uniqueness over several fields is checked by the model, with its kind sentence.
        return []

    def validate(self, attributes: dict[str, Any]) -> dict[str, Any]:
        """Build the record as it would be stored, and let the model judge it."""
        attributes = super().validate(attributes)
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
    state = serializers.ChoiceField(
        choices=Failure.State.choices,
        required=False,
        help_text="Follows from modifications and recurrences. Only held can be said, by a builder or an owner, and "
        "only once riding shows it; anything else sent here changes nothing.",
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
        read_only_fields = ["recurrence_of"]

    def validate(self, attributes: dict[str, Any]) -> dict[str, Any]:
        state = attributes.pop("state", None)
        stored = self.instance.state if self.instance is not None else Failure.State.OPEN
        self._is_called_held = state == Failure.State.HELD and stored != state
        if self._is_called_held:
            self._may_call_held()
        name = attributes.pop("mode_name", "").strip()
        new_mode = None
        if name:
            known = FailureMode.objects.filter(name__iexact=name).first()
            new_mode = known or FailureMode.objects.create(name=name)
            attributes["mode"] = new_mode
        if "mode" not in attributes and self.instance is None:
            raise serializers.ValidationError({"mode": ["Give a mode, or a mode_name such as 'chain came off'."]})
        return super().validate(attributes)

    def _may_call_held(self) -> None:
        request = self.context.get("request")
        if request is None or request.auth is not None or not has_right(request.user, Right.BUILD):
            raise PermissionDenied("Only a builder or an owner says that a fix has held.")
        if self.instance is None:
            raise serializers.ValidationError({"state": ["A new failure is open: no fix of it has been ridden yet."]})

    def update(self, instance: Failure, validated_data: dict[str, Any]) -> Failure:
        # The caller's transaction takes everything back where this is refused.
        stored = super().update(instance, validated_data)
        if self._is_called_held:
            try:
                move(stored, Failure.State.HELD, "Called held over the API.")
            except IllegalTransition as error:
                raise serializers.ValidationError({"state": error.messages}) from None
        return stored


class PhotoSerializer(VersionedSerializer):
    unversioned = ("image_url", "thumbnail_url")
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
