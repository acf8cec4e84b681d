"""The API of photos."""

from __future__ import annotations

import uuid

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.http import Http404
from drf_spectacular.utils import extend_schema
from rest_framework import mixins, serializers, status, viewsets
from rest_framework.request import Request
from rest_framework.response import Response

from buildlog.people.roles import Right
from buildlog.photos.models import SUBJECTS, Photo
from buildlog.photos.pictures import store_photo
from buildlog.photos.serializers import PhotoSerializer
from buildlog.records.api import RemovedInWords
from buildlog.records.api_pages import RecordPages
from buildlog.records.put_record import ChangedElsewhere, Precondition, VersionMissing


class PhotoViewSet(RemovedInWords, mixins.ListModelMixin, mixins.RetrieveModelMixin, viewsets.GenericViewSet[Photo]):
    """Photos by UUID. `PUT` with a file stores one; of a stored photo only the caption changes, by `PATCH`."""

    queryset = Photo.objects.all()
    page_order = ("taken_at", "id")
    serializer_class = PhotoSerializer
    lookup_value_converter = "uuid"
    pagination_class = RecordPages
    write_right = Right.LOG

    @extend_schema(request={"multipart/form-data": PhotoSerializer}, responses=PhotoSerializer)
    def create(self, request: Request) -> Response:
        return self._store(request, None)

    @extend_schema(request={"multipart/form-data": PhotoSerializer}, responses=PhotoSerializer)
    def update(self, request: Request, pk: uuid.UUID) -> Response:
        return self._store(request, pk)

    @extend_schema(request=PhotoSerializer, responses=PhotoSerializer)
    def partial_update(self, request: Request, pk: uuid.UUID) -> Response:
        """Change the caption; the picture itself is never changed."""
        precondition = Precondition.of(request.headers, request.data)
        with transaction.atomic():
            photo = Photo.objects.select_for_update().filter(pk=pk).first()
            if photo is None:
                raise Http404
            before = self.get_serializer(photo).data
            caption = request.data.get("caption", photo.caption) if isinstance(request.data, dict) else photo.caption
            serializer = self.get_serializer(photo, data={"caption": caption}, partial=True)
            serializer.is_valid(raise_exception=True)
            if photo.caption != serializer.validated_data["caption"]:
                sent = before | {"caption": serializer.validated_data["caption"]}
                if not precondition.is_set:
                    raise VersionMissing(before, sent)
                if not precondition.holds_for(before):
                    raise ChangedElsewhere(before, sent)
                serializer.save()
        return Response(self.get_serializer(photo).data)

    def _store(self, request: Request, pk: uuid.UUID | None) -> Response:
        # Read all of it even when it is not needed: a server that answers a large upload early closes the
        # connection, and the client never sees the response.
        data = request.data
        stored = Photo.objects.filter(pk=pk).first() if pk else None
        if stored is not None:
            return Response(self.get_serializer(stored).data)
        serializer = self.get_serializer(data=data)
        serializer.is_valid(raise_exception=True)
        fields = serializer.validated_data
        subject = {name: fields[name] for name in SUBJECTS if fields.get(name) is not None}
        if len(subject) != 1:
            raise serializers.ValidationError(
                {"non_field_errors": [f"A photo belongs to exactly one of {', '.join(SUBJECTS)}."]}
            )
        key = pk or fields.get("id")
        if key and Photo.objects.filter(pk=key).exists():
            raise Http404
        try:
            photo = store_photo(fields["image"], caption=fields.get("caption", ""), pk=key, **subject)
        except (ValidationError, IntegrityError) as error:
            # The same photo may have been stored through another connection meanwhile.
            if key and (stored := Photo.objects.filter(pk=key).first()):
                return Response(self.get_serializer(stored).data)
            if isinstance(error, IntegrityError):
                raise
            raise serializers.ValidationError({"image": error.messages}) from None
        return Response(self.get_serializer(photo).data, status=status.HTTP_201_CREATED)
