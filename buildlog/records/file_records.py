"""The API of records that hold a file: sent once, never changed; only what is written beside it changes."""

from __future__ import annotations

import uuid
from abc import abstractmethod
from typing import Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.http import Http404
from rest_framework import mixins, serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from buildlog.models import DeviceToken
from buildlog.people.device_keys import FIELD_LOGGING
from buildlog.people.roles import Right
from buildlog.records.api import RemovedInWords, WithinMachine
from buildlog.records.api_pages import RecordPages
from buildlog.records.put_record import ChangedElsewhere, Precondition, VersionMissing
from buildlog.records.serializers import check_reach


class FileRecordViewSet(RemovedInWords, WithinMachine, mixins.ListModelMixin, mixins.RetrieveModelMixin):
    """`PUT` with a file stores one; sent again, it changes nothing. Of a stored one only the caption changes."""

    lookup_value_converter = "uuid"
    pagination_class = RecordPages
    write_right = Right.LOG
    key_rights = FIELD_LOGGING
    file_field = ""

    @abstractmethod
    def store(self, fields: dict[str, Any], key: uuid.UUID | None) -> Any:
        """Store a new record with its file. Raises ValidationError for a file that is not accepted."""

    def create(self, request: Request) -> Response:
        return self._store(request, None)

    def update(self, request: Request, pk: uuid.UUID) -> Response:
        return self._store(request, pk)

    def partial_update(self, request: Request, pk: uuid.UUID) -> Response:
        """Change the caption; the file itself is never changed."""
        precondition = Precondition.of(request.headers, request.data)
        with transaction.atomic():
            record = self.get_queryset().select_for_update().filter(pk=pk).first()
            if record is None:
                raise Http404
            before = self.get_serializer(record).data
            caption = request.data.get("caption", record.caption) if isinstance(request.data, dict) else record.caption
            serializer = self.get_serializer(record, data={"caption": caption}, partial=True)
            serializer.is_valid(raise_exception=True)
            if record.caption != serializer.validated_data["caption"]:
                sent = before | {"caption": serializer.validated_data["caption"]}
                if not precondition.is_set:
                    raise VersionMissing(before, sent)
                if not precondition.holds_for(before):
                    raise ChangedElsewhere(before, sent)
                serializer.save()
        return Response(self.get_serializer(record).data)

    def _store(self, request: Request, pk: uuid.UUID | None) -> Response:
        # Read all of it even when it is not needed: a server that answers a large upload early closes the
        # connection, and the client never sees the response.
        data = request.data
        stored = self.get_queryset().filter(pk=pk).first() if pk else None
        if stored is not None:
            return Response(self.get_serializer(stored).data)
        serializer = self.get_serializer(data=data)
        serializer.is_valid(raise_exception=True)
        fields = dict(serializer.validated_data)
        key = pk or fields.pop("id", None)
        if isinstance(request.auth, DeviceToken):
            model: Any = self.get_queryset().model
            owners = {name: value for name, value in fields.items() if model._meta.get_field(name).is_relation}
            check_reach(model(**owners), self.machine_paths, request.auth.vehicle_id)
        if key and self.get_queryset().model.objects.filter(pk=key).exists():
            raise Http404
        try:
            record = self.store(fields, key)
        except (ValidationError, IntegrityError) as error:
            # The same file may have been stored through another connection meanwhile.
            if key and (stored := self.get_queryset().filter(pk=key).first()):
                return Response(self.get_serializer(stored).data)
            if isinstance(error, IntegrityError):
                raise
            raise serializers.ValidationError({self.file_field: error.messages}) from None
        return Response(self.get_serializer(record).data, status=status.HTTP_201_CREATED)
