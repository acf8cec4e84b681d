"""What broke, and the changes that answer it, as the API speaks them."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers
from rest_framework.exceptions import PermissionDenied

from buildlog.failures.loop import IllegalTransition, move
from buildlog.failures.models import Failure, FailureMode, Modification
from buildlog.people.roles import Right, has_right
from buildlog.quantities.declared import quantity_names
from buildlog.records.serializers import RecordSerializer


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
            "answers",
        ]


class FailureModeSerializer(RecordSerializer[FailureMode]):
    class Meta:
        model = FailureMode
        fields = ["id", "name"]


class FailureSerializer(RecordSerializer[Failure]):
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
