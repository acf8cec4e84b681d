"""What somebody said at the lake, kept as sound."""

from __future__ import annotations

import uuid

from django.db import models
from django.urls import reverse

from buildlog.quantities.fields import QuantityField
from buildlog.records.models import MadeRecord
from buildlog.storage.stored_files import unique_file_name
from sessions.outings.models.outings import Session, sequence_field


def _path(note: VoiceNote, _name: str) -> str:
    return unique_file_name("voice", note.pk, f".{note.kind}")


class VoiceNote(MadeRecord):
    """A spoken note of a session, as the phone recorded it."""

    class Kind(models.TextChoices):
        WEBM = "webm", "audio/webm"
        OGG = "ogg", "audio/ogg"
        MP4 = "mp4", "audio/mp4"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    session = models.ForeignKey(Session, on_delete=models.CASCADE, related_name="voice_notes")
    time_into_session_s = QuantityField("time into the session", kind="runtime", high=1e6, in_rows=False)
    duration_s = QuantityField("length", kind="duration", high=3600, in_rows=False)
    kind = models.CharField(max_length=4, choices=Kind.choices, editable=False)
    sound = models.FileField(upload_to=_path)
    caption = models.CharField("what it says", max_length=500, blank=True)
    sequence = sequence_field()

    class Meta:
        ordering = ["session_id", "time_into_session_s", "id"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(kind__in=["webm", "ogg", "mp4"]), name="voice_note_is_of_a_known_kind"
            )
        ]

    def __str__(self) -> str:
        return self.caption or f"Voice note at {self.time_into_session_s / 60:.1f} min"

    def get_absolute_url(self) -> str:
        return reverse("voice_note_sound", args=[self.pk])
