"""A record as the API speaks it: its version, its own key, and the rules of its model."""

from __future__ import annotations

from typing import Any, TypeVar

from django.core.exceptions import ObjectDoesNotExist, ValidationError
from django.db.models import Model
from rest_framework import serializers
from rest_framework.exceptions import PermissionDenied

from buildlog.quantities.fields import QuantityField, QuantitySerializerField, serializer_arguments
from buildlog.records.put_record import VERSION, version_of

Record = TypeVar("Record", bound=Model)


class VersionedSerializer(serializers.ModelSerializer[Record]):
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


class RecordSerializer(VersionedSerializer[Record]):
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
        model: Any = self.Meta.model
        record = model()
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
        model: Any = self.Meta.model
        return any(field.name == name for field in model._meta.concrete_fields)


def _by_field(error: ValidationError) -> dict[str, list[str]]:
    found = dict(error.message_dict)
    if "__all__" in found:
        found["non_field_errors"] = found.pop("__all__")
    return found
