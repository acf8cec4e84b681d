"""Serving photos to those who may see them; never as anything but a picture."""

from __future__ import annotations

import uuid

from django.db.models.fields.files import FieldFile
from django.http import FileResponse, Http404, HttpRequest
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_safe

from buildlog.photos.models import Photo
from buildlog.storage.kept_file_answers import FILE_POLICY


@require_safe
def photo_image(request: HttpRequest, pk: uuid.UUID) -> FileResponse:
    return picture_answer(get_object_or_404(Photo, pk=pk).image)


@require_safe
def photo_thumbnail(request: HttpRequest, pk: uuid.UUID) -> FileResponse:
    return picture_answer(get_object_or_404(Photo, pk=pk).thumbnail)


def picture_answer(field: FieldFile) -> FileResponse:
    try:
        file = field.open("rb")
    except FileNotFoundError:
        raise Http404("The picture's file is gone from the data folder.") from None
    response = FileResponse(file, content_type="image/jpeg")
    response["Content-Security-Policy"] = FILE_POLICY
    response["Cache-Control"] = "private, max-age=86400"
    return response
