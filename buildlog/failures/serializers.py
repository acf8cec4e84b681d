"""Failures, and the modifications that answer them, in the API."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from rest_framework import serializers
from rest_framework.exceptions import PermissionDenied

from buildlog.failures.loop import IllegalTransition, States, note_states, sign_held
from buildlog.failures.models import Failure, FailureMode, Modification, SignOff, Verification
from buildlog.failures.models.failures import DIMENSIONS
from buildlog.people.roles import Right, has_right
from buildlog.quantities.declared import quantity_names
from buildlog.records.serializers import RecordSerializer
from calc.mode_names import one_form


class ModificationSerializer(RecordSerializer[Modification]):
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
            "changed",
            "answers",
        ]
        extra_kwargs = {
            "changed": {"required": False, "help_text": f"Keys of parts, and of {', '.join(DIMENSIONS)}."},
        }


class FailureModeSerializer(RecordSerializer[FailureMode]):
    class Meta:
        model = FailureMode
        fields = ["id", "name"]


class VerificationSerializer(RecordSerializer[Verification]):
    class Meta:
        model = Verification
        fields = ["id", "modification", "kind", "done_on", "done_by", "finding", "photo"]


class SignOffSerializer(RecordSerializer[SignOff]):
    class Meta:
        model = SignOff
        fields = ["id", "vehicle", "mode", "kind", "modification", "why", "signed_by", "signed_at", "failures", "fixes"]


class FailureList(serializers.ListSerializer[Failure]):
    """Works the states of a whole page out at once."""

    def to_representation(self, data: Any) -> Any:
        rows = list(data)
        states = States({row.revision.vehicle for row in rows})
        states.note_on(rows)
        firsts = states.first_of(rows)
        for row in rows:
            row.first_of_kind = firsts.get(row.pk)
        return super().to_representation(rows)


class FailureSerializer(RecordSerializer[Failure]):
    mode = serializers.PrimaryKeyRelatedField(queryset=FailureMode.objects.all(), required=False)
    mode_name = serializers.CharField(
        write_only=True,
        required=False,
        max_length=80,
        help_text="Instead of mode. Case, spaces, dots and the form of letters make no difference; a new name joins "
        "the vocabulary.",
    )
    state = serializers.ChoiceField(
        choices=Failure.State.choices,
        required=False,
        help_text="Worked out from modifications, rides, recurrences and what was signed. Only held can be set, by a "
        "builder or an owner, and only once the evidence suffices; any other value changes nothing.",
    )
    recurrence_of = serializers.SerializerMethodField(
        help_text="The first failure of its kind, where it came although a fix was fitted. Worked out."
    )
    unversioned = ("state", "recurrence_of")

    class Meta:
        model = Failure
        list_serializer_class = FailureList
        fields = [
            "id",
            "revision",
            "session",
            "happened_at",
            *quantity_names(Failure),
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

    def get_recurrence_of(self, failure: Failure) -> UUID | None:
        if "first_of_kind" not in failure.__dict__:
            failure.first_of_kind = States([failure.revision.vehicle]).first_of([failure]).get(failure.pk)
        return failure.first_of_kind

    def to_representation(self, instance: Failure) -> dict[str, Any]:
        if "standing" not in instance.__dict__:
            note_states([instance])
        return super().to_representation(instance)

    def validate(self, attributes: dict[str, Any]) -> dict[str, Any]:
        self._declares_held = attributes.pop("state", None) == Failure.State.HELD
        if self._declares_held:
            if self.instance is not None and self.instance.state == Failure.State.HELD:
                self._declares_held = False
            else:
                self._check_may_declare_held()
        name = attributes.pop("mode_name", "").strip()
        if name:
            if not one_form(name):
                raise serializers.ValidationError({"mode_name": ["Say what failed, for example: chain came off."]})
            attributes["mode"] = FailureMode.called(name)
        if "mode" not in attributes and self.instance is None:
            raise serializers.ValidationError({"mode": ["Give a mode, or a mode_name such as 'chain came off'."]})
        return super().validate(attributes)

    def _check_may_declare_held(self) -> None:
        request = self.context.get("request")
        if request is None or request.auth is not None or not has_right(request.user, Right.BUILD):
            raise PermissionDenied("Only a builder or an owner may declare that a fix has held.")
        if self.instance is None:
            raise serializers.ValidationError({"state": ["A new failure is open: no fix of it has been ridden yet."]})

    def create(self, validated_data: dict[str, Any]) -> Failure:
        return _as_it_stands_now(super().create(validated_data))

    def update(self, instance: Failure, validated_data: dict[str, Any]) -> Failure:
        # If this is refused, the caller's transaction is rolled back.
        stored = _as_it_stands_now(super().update(instance, validated_data))
        if self._declares_held:
            try:
                sign_held(stored, "Declared held over the API.")
            except IllegalTransition as error:
                raise serializers.ValidationError({"state": error.messages}) from None
            _as_it_stands_now(stored)
        return stored


def _as_it_stands_now(failure: Failure) -> Failure:
    """Forget what was worked out before the record was changed."""
    for name in ("standing", "first_of_kind"):
        failure.__dict__.pop(name, None)
    return failure
