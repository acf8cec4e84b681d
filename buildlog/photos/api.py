"""The API of photos."""

from __future__ import annotations

import uuid
from typing import Any

from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers

from buildlog.photos.models import SUBJECTS, Photo
from buildlog.photos.pictures import store_photo
from buildlog.photos.serializers import PhotoSerializer
from buildlog.records.file_records import FileRecordViewSet

_SENT = extend_schema(request={"multipart/form-data": PhotoSerializer}, responses=PhotoSerializer)


@extend_schema_view(
    create=_SENT, update=_SENT, partial_update=extend_schema(request=PhotoSerializer, responses=PhotoSerializer)
)
class PhotoViewSet(FileRecordViewSet):
    """Photos by UUID. `PUT` with a file stores one; of a stored photo only the caption changes, by `PATCH`."""

    queryset = Photo.objects.all()
    page_order = ("taken_at", "id")
    serializer_class = PhotoSerializer
    machine_paths = ("revision__vehicle", "failure__revision__vehicle", "session__revision__vehicle")
    file_field = "image"

    def store(self, fields: dict[str, Any], key: uuid.UUID | None) -> Photo:
        subject = {name: fields[name] for name in SUBJECTS if fields.get(name) is not None}
        if len(subject) != 1:
            raise serializers.ValidationError(
                {"non_field_errors": [f"A photo belongs to exactly one of {', '.join(SUBJECTS)}."]}
            )
        return store_photo(fields["image"], caption=fields.get("caption", ""), pk=key, **subject)
