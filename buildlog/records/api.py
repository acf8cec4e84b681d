"""The API of what was built and what broke, and what all API views have in common."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from typing import Any

from django.db import DataError, IntegrityError, transaction
from rest_framework import mixins, serializers, status, viewsets
from rest_framework.authentication import SessionAuthentication
from rest_framework.exceptions import APIException
from rest_framework.pagination import LimitOffsetPagination
from rest_framework.request import Request
from rest_framework.response import Response

from buildlog.people.device_keys import READING, DeviceKey
from buildlog.people.roles import ByRole, Right
from buildlog.people.signed_in import ApiRequest
from buildlog.records import removal
from buildlog.records.put_record import ChangedElsewhere, Precondition, entity_tag_of, put_record


class RecordPages(LimitOffsetPagination):
    """A page of records, never more than the database can count or a phone can hold."""

    default_limit = 100
    max_limit = 500

    def get_offset(self, request: Request) -> int:
        return min(super().get_offset(request), 10**9)


class NotRemoved(APIException):
    """A removal that was refused."""

    detail: Any  # a code for clients beside the sentence

    def __init__(self, request: Request, error: removal.NotRemoved) -> None:
        is_right_missing = isinstance(error, removal.NotYours)
        self.detail = {"detail": str(error), "code": "not_yours" if is_right_missing else "rests_on_it"}
        # Field pages of format 1 take any 403 for being signed out, and would send nothing more.
        is_field_page = ByRole.whose in request.headers
        self.status_code = 403 if is_right_missing and not is_field_page else status.HTTP_409_CONFLICT


class RemovedInWords(mixins.DestroyModelMixin, viewsets.GenericViewSet[Any]):
    """Answers with JSON, not with nothing: a client must be able to tell it from a portal's empty page."""

    request: ApiRequest

    def destroy(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """A client that says which version it removes (`If-Match`) does not remove a newer one."""
        precondition = Precondition.of(request.headers)

        def check(record: Any) -> None:
            held = self.get_serializer(record).data
            if not precondition.holds_for(held):
                raise ChangedElsewhere(held, None)

        try:
            removal.remove(self.get_object(), self.request.user, check)
        except removal.NotRemoved as error:
            raise NotRemoved(request, error) from None
        return Response({"id": str(kwargs["pk"]), "removed": True})


class RecordViewSet(RemovedInWords, viewsets.ModelViewSet[Any]):
    """Records by UUID. `PUT` to a new UUID makes the record; sending it again changes nothing.

    `PUT` and `PATCH` of a record that is there say which version they change: `version` in the body, or
    `If-Match`. Without either a change is refused with 428; of another version, with 412.

    Lists are narrowed by the fields that `narrowed_by` names. A device's key reaches the records of its
    own machine, which `machine_path` leads to; what it may do there, `key_rights` says by method.
    """

    lookup_value_converter = "uuid"
    pagination_class = RecordPages
    narrowed_by: tuple[str, ...] = ()
    write_right = Right.BUILD
    authentication_classes = [DeviceKey, SessionAuthentication]
    machine_path = ""
    key_rights: Mapping[str, tuple[str, ...]] = READING

    def get_serializer_context(self) -> dict[str, Any]:
        context = super().get_serializer_context()
        if self.request is not None and self.request.auth is not None:
            context["only_machine"] = (self.machine_path, self.request.auth.vehicle_id)
        return context

    def get_queryset(self) -> Any:
        found = super().get_queryset()
        if self.request is not None and self.request.auth is not None:
            own = found.model.objects.filter(**{self.machine_path: self.request.auth.vehicle_id})
            found = found.filter(pk__in=own.values("pk"))
        for name in self.narrowed_by:
            value = self.request.query_params.get(name) if self.request else None
            if value:
                found = found.filter(**{name: _key(name, value)})
        return found

    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        given = request.data.get("id") if hasattr(request.data, "get") else None
        serializer: Any = self.get_serializer_class()
        if given and serializer.Meta.model.objects.filter(pk=_key("id", str(given))).exists():
            raise serializers.ValidationError({"id": ["There is a record with this id. Use PUT to change it."]})
        # One transaction, so that a refused record leaves nothing behind, not even a new word.
        with _kind_refusals(), transaction.atomic():
            return super().create(request, *args, **kwargs)

    def update(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        partial = bool(kwargs.get("partial"))
        if partial:
            # A key finds what is its own machine's only.
            self.get_object()
        with _kind_refusals():
            stored = put_record(
                lambda instance: self.get_serializer(instance, data=request.data, partial=partial),
                kwargs["pk"],
                Precondition.of(request.headers, request.data),
                makes=not partial,
            )
        made = status.HTTP_201_CREATED if stored.made else status.HTTP_200_OK
        return Response(stored.representation, status=made, headers={"ETag": entity_tag_of(stored.representation)})

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        response = super().retrieve(request, *args, **kwargs)
        response["ETag"] = entity_tag_of(response.data)
        return response


def _key(name: str, value: str) -> uuid.UUID:
    try:
        return uuid.UUID(value)
    except ValueError:
        raise serializers.ValidationError({name: [f"{value[:80]!r} is not a UUID."]}) from None


class _kind_refusals:
    """Turns what the database refuses after all checks into an answer the client can read."""

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: Any, error: Any, _trace: Any) -> None:
        if isinstance(error, (IntegrityError, DataError, OverflowError)):
            raise serializers.ValidationError(
                {"non_field_errors": ["The database refused this: it breaks a rule, or was stored at this moment."]}
            ) from None
