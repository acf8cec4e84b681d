"""Photos as the API speaks them."""

from __future__ import annotations

from rest_framework import serializers

from buildlog.photos.models import Photo
from buildlog.records.serializers import VersionedSerializer


class PhotoSerializer(VersionedSerializer[Photo]):
    unversioned = ("image_url", "thumbnail_url")
    image = serializers.FileField(write_only=True)
    image_url = serializers.HyperlinkedIdentityField(view_name="photo_image")
    thumbnail_url = serializers.HyperlinkedIdentityField(view_name="photo_thumbnail")

    class Meta:
        model = Photo
        fields = [
            "id",
            "revision",
            "part",
            "failure",
            "session",
            "caption",
            "image",
            "image_url",
            "thumbnail_url",
            "width_px",
            "height_px",
        ]
        read_only_fields = ["width_px", "height_px"]
