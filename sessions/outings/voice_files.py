"""Storing and serving spoken notes: never as anything but sound."""

from __future__ import annotations

import re
import uuid
from typing import IO, Any

from django.core.exceptions import ValidationError
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_safe

from buildlog.storage.kept_file_answers import FILE_POLICY
from buildlog.storage.stored_files import stored_together
from sessions.outings.models import Session, VoiceNote

LARGEST_BYTES = 8 * 1024 * 1024
"""The page stops after three minutes, about 1 MB of speech; a phone that takes no rate makes it larger."""

BEGINNINGS = (
    # EBML (RFC 8794, 11.2.1), Ogg (RFC 3533, 6), ISO base media (ISO/IEC 14496-12, 4.3).
    (re.compile(rb"\x1a\x45\xdf\xa3"), VoiceNote.Kind.WEBM),
    (re.compile(rb"OggS\x00"), VoiceNote.Kind.OGG),
    (re.compile(rb".{4}ftyp", re.DOTALL), VoiceNote.Kind.MP4),
)


def kind_of(file: IO[bytes]) -> VoiceNote.Kind:
    """The kind of sound by its first bytes. Raises ValidationError with a sentence."""
    size = getattr(file, "size", 0)
    if size > LARGEST_BYTES:
        raise ValidationError(
            f"The voice note has {size / 1e6:.0f} MB; at most {LARGEST_BYTES / 1e6:.0f} MB are accepted. "
            "Record a shorter one."
        )
    file.seek(0)
    head = file.read(16)
    file.seek(0)
    for beginning, kind in BEGINNINGS:
        if beginning.match(head):
            return kind
    raise ValidationError("This is no sound that a phone records: WebM, Ogg or MP4.")


def store_voice_note(file: Any, *, session: Session, pk: uuid.UUID | None = None, **values: Any) -> VoiceNote:
    """Store a recording for a session. Raises ValidationError with a sentence."""
    note = VoiceNote(pk=pk or uuid.uuid4(), session=session, **{**values, "kind": kind_of(file)})
    note.full_clean(exclude=["sound"])
    with stored_together() as put:
        put(note.sound, file)
        note.save(force_insert=True)
    return note


@require_safe
def voice_note_sound(request: HttpRequest, pk: uuid.UUID) -> HttpResponseBase:
    """The sound, or the range of it that a player asks for (RFC 9110, 14): phones play nothing without."""
    note = get_object_or_404(VoiceNote, pk=pk)
    try:
        file = note.sound.open("rb")
        size = note.sound.size
    except FileNotFoundError:
        raise Http404("The sound's file is gone from the data folder.") from None
    kind = str(VoiceNote.Kind(note.kind).label)
    response: HttpResponseBase
    asked = re.fullmatch(r"bytes=(\d*)-(\d*)", request.headers.get("Range", ""))
    if asked and any(asked.groups()):
        first = int(asked[1]) if asked[1] else max(0, size - int(asked[2]))
        last = min(int(asked[2]), size - 1) if asked[1] and asked[2] else size - 1
        with file:
            if first > last:
                response = HttpResponse(status=416)
                response["Content-Range"] = f"bytes */{size}"
            else:
                file.seek(first)
                response = HttpResponse(file.read(last - first + 1), status=206, content_type=kind)
                response["Content-Range"] = f"bytes {first}-{last}/{size}"
    else:
        response = FileResponse(file, content_type=kind)
    response["Accept-Ranges"] = "bytes"
    response["Content-Security-Policy"] = FILE_POLICY
    response["Cache-Control"] = "private, max-age=86400"
    return response
