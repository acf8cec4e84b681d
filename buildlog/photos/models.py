"""Pictures of what was built and what broke."""

from __future__ import annotations

import uuid
from typing import Any

from django.db import models
from django.db.models import Q
from django.urls import reverse

from buildlog.machines.models import Part, Revision
from buildlog.records.models import MadeRecord
from buildlog.storage.stored_files import unique_file_name

SUBJECTS = ("revision", "part", "failure", "session")


def _path(photo: Photo, _name: str) -> str:
    return unique_file_name("photos", photo.pk, ".jpg")


def _thumbnail_path(photo: Photo, _name: str) -> str:
    return unique_file_name("photos", photo.pk, "-small.jpg")


def subjects_of_kind(name: str) -> models.QuerySet[Any]:
    """All records of one of the SUBJECTS; the model comes from the column, not from an import."""
    subject: Any = getattr(Photo, name)
    rows: models.QuerySet[Any] = subject.get_queryset()
    return rows


def _has_exactly_one_subject() -> Q:
    condition = Q()
    for subject in SUBJECTS:
        condition |= Q(**{f"{other}__isnull": other != subject for other in SUBJECTS})
    return condition


class Photo(MadeRecord):
    """A picture of one revision, part, failure or session. The uploaded file's name is not stored."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    revision = models.ForeignKey(Revision, on_delete=models.CASCADE, null=True, blank=True, related_name="photos")
    part = models.ForeignKey(Part, on_delete=models.CASCADE, null=True, blank=True, related_name="photos")
    failure = models.ForeignKey(
        "buildlog.Failure", on_delete=models.CASCADE, null=True, blank=True, related_name="photos"
    )
    session = models.ForeignKey(
        "test_sessions.Session", on_delete=models.CASCADE, null=True, blank=True, related_name="photos"
    )
    image = models.FileField(upload_to=_path)
    thumbnail = models.FileField(upload_to=_thumbnail_path)
    width_px = models.PositiveIntegerField()
    height_px = models.PositiveIntegerField()
    caption = models.CharField(max_length=200, blank=True)
    taken_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["taken_at"]
        constraints = [
            models.CheckConstraint(
                condition=_has_exactly_one_subject(),
                name="photo_shows_exactly_one_thing",
                violation_error_message="A photo belongs to exactly one revision, part, failure or session.",
            ),
        ]

    def __str__(self) -> str:
        return self.caption or f"Photo of {self.subject}"

    def get_absolute_url(self) -> str:
        return reverse("photo_image", args=[self.pk])

    @property
    def subject(self) -> Any:
        """The record it shows; None only before a record is chosen."""
        return next((getattr(self, name) for name in SUBJECTS if getattr(self, f"{name}_id")), None)
