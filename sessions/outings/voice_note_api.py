"""The API of spoken notes."""

from __future__ import annotations

import uuid
from typing import Any

from drf_spectacular.utils import extend_schema, extend_schema_view

from buildlog.records.file_records import FileRecordViewSet
from sessions.outings.models import VoiceNote
from sessions.outings.serializers import VoiceNoteSerializer
from sessions.outings.voice_files import store_voice_note

_SENT = extend_schema(request={"multipart/form-data": VoiceNoteSerializer}, responses=VoiceNoteSerializer)


@extend_schema_view(
    create=_SENT, update=_SENT, partial_update=extend_schema(request=VoiceNoteSerializer, responses=VoiceNoteSerializer)
)
class VoiceNoteViewSet(FileRecordViewSet):
    """Spoken notes by UUID. `PUT` with a file stores one; of a stored note only the caption changes, by `PATCH`."""

    queryset = VoiceNote.objects.all()
    page_order = ("session_id", "time_into_session_s", "id")
    serializer_class = VoiceNoteSerializer
    machine_paths = ("session__revision__vehicle",)
    file_field = "sound"

    def store(self, fields: dict[str, Any], key: uuid.UUID | None) -> VoiceNote:
        return store_voice_note(fields.pop("sound"), pk=key, **fields)
