"""What all API views of records have in common: pages, removal, versions and refusals."""

from __future__ import annotations

import uuid
from abc import ABC, abstractmethod
from collections.abc import Mapping
from typing import Any

from django.db import DataError, IntegrityError, transaction
from django.db.models import Q
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import mixins, serializers, status, viewsets
from rest_framework.authentication import SessionAuthentication
from rest_framework.exceptions import APIException
from rest_framework.generics import GenericAPIView
from rest_framework.request import Request
from rest_framework.response import Response

from buildlog.people.device_keys import READING, DeviceKey
from buildlog.people.roles import ByRole, Right
from buildlog.people.signed_in import ApiRequest
from buildlog.records import removal
from buildlog.records.api_pages import RecordPages
from buildlog.records.doubts import DOUBTS, add_doubts, doubts_as_json
from buildlog.records.put_record import ChangedElsewhere, Precondition, entity_tag_of, put_record


class NotRemoved(APIException):
    """The response to a refused removal."""

    detail: Any  # a sentence and a code for clients

    def __init__(self, request: Request, error: removal.NotRemoved) -> None:
        is_right_missing = isinstance(error, removal.NotPermitted)
        self.detail = {"detail": str(error), "code": "not_yours" if is_right_missing else "rests_on_it"}
        # Field pages of format 1 treat any 403 as being signed out, and would send nothing more.
        is_field_page = ByRole.account_header in request.headers
        self.status_code = 403 if is_right_missing and not is_field_page else status.HTTP_409_CONFLICT


class RemovedInWords(mixins.DestroyModelMixin, viewsets.GenericViewSet[Any]):
    """Confirms a removal in JSON, so that a client can tell the answer from a captive portal's empty page."""

    request: ApiRequest

    def destroy(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """With `If-Match`, remove the record only if it still has that version."""
        precondition = Precondition.of(request.headers)

        def check_version(record: Any) -> None:
            stored = self.get_serializer(record).data
            if not precondition.holds_for(stored):
                raise ChangedElsewhere(stored, None)

        try:
            removal.remove(self.get_object(), self.request.user, check_version)
        except removal.NotRemoved as error:
            raise NotRemoved(request, error) from None
        return Response({"id": str(kwargs["pk"]), "removed": True})


class WithinMachine(GenericAPIView[Any]):
    """Records that a device's key reaches only where one of `machine_paths` leads to its own machine."""

    request: ApiRequest
    authentication_classes = [DeviceKey, SessionAuthentication]
    machine_path = ""
    machine_paths: tuple[str, ...] = ()
    key_rights: Mapping[str, tuple[str, ...]] = READING

    def get_queryset(self) -> Any:
        rows = super().get_queryset()
        if self.request is not None and self.request.auth is not None:
            leads_to_own = Q()
            for path in self.machine_paths or (self.machine_path,):
                leads_to_own |= Q(**{path: self.request.auth.vehicle_id})
            own = rows.model.objects.filter(leads_to_own)
            rows = rows.filter(pk__in=own.values("pk"))
        return rows


class WorkedOut(WithinMachine, ABC):
    """What pages show of one record, worked out: `answer` says what."""

    def get(self, request: Request, pk: uuid.UUID) -> Response:
        return Response(self.answer(self.get_object()))

    @abstractmethod
    def answer(self, record: Any) -> dict[str, Any]:
        """What is worked out of this record, ready to be written as JSON."""


class RecordViewSet(RemovedInWords, WithinMachine, viewsets.ModelViewSet[Any]):
    """Records by UUID. `PUT` to a new UUID creates the record; sending it again changes nothing.

    `PUT` and `PATCH` of a stored record name the version they change: `version` in the body, or `If-Match`.
    Without either a change is refused with 428; of another version, with 412.

    The answer for a single session, pass, reading, failure or revision has `doubts`: why its values can hardly be,
    and what was probably meant. Nothing is refused for being unlikely. A list has them where `doubts=true` asks for it.

    Lists are filtered by the fields in `narrowed_by`, and ordered by `page_order`, which has an index and ends with
    what no two records share. A device's key reaches the records of its own machine,
    to which `machine_path` leads; `key_rights` lists by method what the key may do there.
    """

    lookup_value_converter = "uuid"
    pagination_class = RecordPages
    page_order: tuple[str, ...] = ("id",)
    narrowed_by: tuple[str, ...] = ()
    write_right = Right.BUILD

    def get_serializer_context(self) -> dict[str, Any]:
        context = super().get_serializer_context()
        if self.request is not None and self.request.auth is not None:
            context["only_machine"] = (self.machine_path, self.request.auth.vehicle_id)
        return context

    def get_queryset(self) -> Any:
        rows = super().get_queryset()
        for name in self.narrowed_by:
            value = self.request.query_params.get(name) if self.request else None
            if value:
                rows = rows.filter(**{name: _key(name, value)})
        return rows

    @extend_schema(
        parameters=[OpenApiParameter(DOUBTS, bool, description="Whether each record comes with its doubts.")]
    )
    def list(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        response = super().list(request, *args, **kwargs)
        if request.query_params.get(DOUBTS) in ("true", "1"):
            serializer: Any = self.get_serializer_class()
            add_doubts(serializer.Meta.model, response.data["results"])
        return response

    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        key = request.data.get("id") if hasattr(request.data, "get") else None
        serializer: Any = self.get_serializer_class()
        if key and serializer.Meta.model.objects.filter(pk=_key("id", str(key))).exists():
            raise serializers.ValidationError({"id": ["There is a record with this id. Use PUT to change it."]})
        # One transaction, so that a refused record leaves nothing behind, not even a new failure mode.
        with _kind_refusals(), transaction.atomic():
            response = super().create(request, *args, **kwargs)
        return self._with_doubts(response)

    def update(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        partial = bool(kwargs.get("partial"))
        if partial:
            # Raises Http404 for a record outside the reach of a device's key.
            self.get_object()
        with _kind_refusals():
            stored = put_record(
                lambda instance: self.get_serializer(instance, data=request.data, partial=partial),
                kwargs["pk"],
                Precondition.of(request.headers, request.data),
                may_create=not partial,
            )
        code = status.HTTP_201_CREATED if stored.created else status.HTTP_200_OK
        headers = {"ETag": entity_tag_of(stored.representation)}
        return self._with_doubts(Response(dict(stored.representation), status=code, headers=headers), stored.record)

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        response = super().retrieve(request, *args, **kwargs)
        response["ETag"] = entity_tag_of(response.data)
        return self._with_doubts(response)

    def _with_doubts(self, response: Response, stored: Any = None) -> Response:
        """Add what is doubted about the record, which is stored all the same and may be at hand. A batch asks for all
        at once."""
        if getattr(self.request, "doubts_follow", False):
            return response
        serializer: Any = self.get_serializer_class()
        response.data |= doubts_as_json(serializer.Meta.model, response.data["id"], stored)
        return response


def _key(name: str, value: str) -> uuid.UUID:
    try:
        return uuid.UUID(value)
    except ValueError:
        raise serializers.ValidationError({name: [f"{value[:80]!r} is not a UUID."]}) from None


class _kind_refusals:
    """Turns errors of the database after all checks into an answer the client can read."""

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: Any, error: Any, _trace: Any) -> None:
        if isinstance(error, (IntegrityError, DataError, OverflowError)):
            raise serializers.ValidationError(
                {"non_field_errors": ["The database refused this: it breaks a rule, or was stored at this moment."]}
            ) from None
