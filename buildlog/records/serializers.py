"""A record in the API: its version, its key, and the rules of its model."""

from __future__ import annotations

from typing import Any, TypeVar

from django.core.exceptions import ObjectDoesNotExist, ValidationError
from django.db.models import CheckConstraint, Model, Q
from rest_framework import serializers
from rest_framework.exceptions import PermissionDenied

from buildlog.quantities.fields import BoundsConstraint, QuantityField, QuantitySerializerField, serializer_arguments
from buildlog.records.put_record import VERSION, version_of

Record = TypeVar("Record", bound=Model)


class VersionedSerializer(serializers.ModelSerializer[Record]):
    """A record with its version, which is computed from its content."""

    id = serializers.UUIDField(required=False)
    version = serializers.CharField(
        required=False,
        allow_blank=True,
        allow_null=True,
        help_text="Computed from the content. Send it back with a change: the change is refused if "
        "somebody else changed the record since.",
    )
    unversioned: tuple[str, ...] = ()
    """Fields that are not content of the record, such as the address of a file."""

    def get_field_names(self, *args: Any) -> list[str]:
        return [*super().get_field_names(*args), VERSION]

    def to_representation(self, instance: Any) -> dict[str, Any]:
        # The version is not a column of the model, so it is added here.
        written = super().to_representation(instance)
        content = {name: value for name, value in written.items() if name not in self.unversioned}
        return {**written, VERSION: version_of(content)}

    def validate(self, attributes: dict[str, Any]) -> dict[str, Any]:
        attributes.pop(VERSION, None)
        return attributes


ELSEWHERE = "This key reaches the records of its own machine only."


class RecordSerializer(VersionedSerializer[Record]):
    """A record whose key may be made by the client, checked by the rules of its model."""

    def build_standard_field(self, field_name: str, model_field: Any) -> Any:
        if isinstance(model_field, QuantityField):
            return QuantitySerializerField, serializer_arguments(model_field)
        return super().build_standard_field(field_name, model_field)

    def get_validators(self) -> list[Any]:
        # The model checks uniqueness over several fields, with a better message.
        return []

    def validate(self, attributes: dict[str, Any]) -> dict[str, Any]:
        """Build the record as it would be stored, and let the model check it."""
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
        for version in (self.instance, record):
            self._check_reach(version)
        try:
            self._clean(record, {name for name, value in plain.items() if isinstance(value, Model)})
        except ValidationError as error:
            raise serializers.ValidationError(_by_field(error)) from None
        for name in plain:
            attributes[name] = getattr(record, name)
        return attributes

    def _clean(self, record: Any, read_just_now: set[str]) -> None:
        """The model's own checks. Raises ValidationError.

        Left out is what would ask the database again for what it said a moment ago: whether the records exist to which
        this one belongs, and whether a key is used that nobody has chosen yet.
        """
        errors: dict[str, list[Any]] = {}
        checked = (
            lambda: record.clean_fields(exclude={*read_just_now, "made_by"}),
            record.clean,
            lambda: record.validate_unique(exclude={record._meta.pk.name, *errors}),
            lambda: _validate_constraints(record, set(errors)),
        )
        for check in checked:
            try:
                check()
            except ValidationError as error:
                errors = error.update_error_dict(errors)
        if errors:
            raise ValidationError(errors)

    def _check_reach(self, record: Any) -> None:
        """Raises PermissionDenied where a device's key would change or create a record of another machine."""
        if record is None or "only_machine" not in self.context:
            return
        path, vehicle = self.context["only_machine"]
        check_reach(record, (path,), vehicle)

    def _is_own_column(self, name: str) -> bool:
        model: Any = self.Meta.model
        return any(field.name == name for field in model._meta.concrete_fields)


def _validate_constraints(record: Any, excluded: set[str]) -> None:
    """As `Model.validate_constraints`, which asks the database once for each rule: here all are asked for at once, and
    one by one only where one is broken. Raises ValidationError."""
    rules = [rule for rule in record._meta.constraints if not isinstance(rule, BoundsConstraint)]
    if rules and not excluded and all(type(rule) is CheckConstraint for rule in rules):
        values = record._get_field_expression_map(meta=record._meta, exclude=excluded)
        if Q(*(rule.condition for rule in rules)).check(values):
            return
    record.validate_constraints(exclude=excluded)


def check_reach(record: Any, paths: tuple[str, ...], vehicle_id: Any) -> None:
    """Raises PermissionDenied where the first path that leads anywhere leads to another machine.

    A record whose required parent is missing passes: the model reports that next.
    """
    for path in paths:
        *steps, last = path.split("__")
        owner = record
        try:
            for step in steps:
                owner = owner and getattr(owner, step)
        except ObjectDoesNotExist:
            return
        if owner is not None:
            own = getattr(owner, f"{last}_id")
            if own is not None and own != vehicle_id:
                raise PermissionDenied(ELSEWHERE)
            return
    raise PermissionDenied(ELSEWHERE)


def _by_field(error: ValidationError) -> dict[str, list[str]]:
    messages = dict(error.message_dict)
    if "__all__" in messages:
        messages["non_field_errors"] = messages.pop("__all__")
    return messages
