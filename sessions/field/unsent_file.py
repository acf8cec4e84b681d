"""Importing the file that a phone saved of everything it could not send.

Importing the same file twice changes nothing the second time: every record has its key.
"""

from __future__ import annotations

import base64
import binascii
import contextlib
import json
import uuid
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from django.core.exceptions import ValidationError
from django.core.files.base import ContentFile
from django.db import DataError, IntegrityError
from django.db.models import Q
from rest_framework import serializers

from buildlog.failures.serializers import FailureSerializer
from buildlog.machines.models import Vehicle
from buildlog.models import RemovedRecord
from buildlog.people import current_account
from buildlog.people.models import Account
from buildlog.photos.models import SUBJECTS, Photo, subjects_of_kind
from buildlog.photos.pictures import store_photo
from buildlog.records import removal
from buildlog.records.put_record import ChangedElsewhere, Precondition, VersionMissing, put_record
from buildlog.storage.memory import available_bytes
from sessions.bench.serializers import TestCardItemSerializer
from sessions.evidence.doubts import doubts_of_machine
from sessions.outings.models import VoiceNote
from sessions.outings.serializers import (
    GateSerializer,
    GoNoGoCheckSerializer,
    MarkTapSerializer,
    PassSerializer,
    ReadingSerializer,
    SessionSerializer,
    TrackPartSerializer,
    VenueSerializer,
    VoiceNoteSerializer,
)
from sessions.outings.voice_files import store_voice_note

FORMAT = 1
MEMORY_PER_BYTE = 4
"""Reading takes 2.0 (measured, tests/storage/test_memory.py); as much again is left for what storing takes."""
LARGEST_BYTES = 200 * 1024 * 1024
KINDS: dict[str, type[serializers.ModelSerializer[Any]]] = {
    "venues": VenueSerializer,
    "gates": GateSerializer,
    "sessions": SessionSerializer,
    "go-no-go-checks": GoNoGoCheckSerializer,
    "passes": PassSerializer,
    "readings": ReadingSerializer,
    "failures": FailureSerializer,
    "test-card-items": TestCardItemSerializer,
    "track-parts": TrackPartSerializer,
    "mark-taps": MarkTapSerializer,
}


class NotAnUnsentFile(ValueError):
    """The file is not one that the field page saved; the message is a sentence to show."""


@dataclass(frozen=True)
class Row:
    """The outcome of one record of the file."""

    kind: str
    words: str
    outcome: str
    sentence: str = ""
    key: uuid.UUID | None = None
    doubts: tuple[str, ...] = ()
    """Why its values can hardly be; it is stored all the same."""


@dataclass(frozen=True)
class UnsentFile:
    written_by: str
    account_id: str
    saved_at: str
    records: list[dict[str, Any]]


def parse(file: Any) -> UnsentFile:
    """Read the file. Raises NotAnUnsentFile when it is something else, too large or cut short."""
    if file.size > LARGEST_BYTES:
        raise NotAnUnsentFile(
            f"The file has {file.size / 1e6:.0f} MB; at most {LARGEST_BYTES / 1e6:.0f} MB are imported at once."
        )
    room = available_bytes()
    if room is not None and file.size * MEMORY_PER_BYTE > room:
        raise NotAnUnsentFile(
            f"The file has {file.size / 1e6:.0f} MB, and the server has {room / 1e6:.0f} MB of memory free, of which "
            f"it would take {file.size * MEMORY_PER_BYTE / 1e6:.0f} MB. Import it when the server is idle, or "
            "send the photos from the phone first, so that the file is smaller."
        )
    try:
        content = json.loads(file.read().decode("utf-8"))
    except (UnicodeDecodeError, ValueError, RecursionError):
        raise NotAnUnsentFile("This is not a file the field page saved, or it was cut short on the way.") from None
    if (
        not isinstance(content, dict)
        or content.get("firnlog") != "unsent"
        or not isinstance(content.get("records"), list)
    ):
        raise NotAnUnsentFile("This is not a file of unsent records. On the phone: Waiting, then Save to a file.")
    if content.get("format") != FORMAT:
        raise NotAnUnsentFile(
            f"The file has format {str(content.get('format'))[:20]!r}; this server reads format {FORMAT}."
        )
    account = content.get("account")
    account = account if isinstance(account, dict) else {}
    records = [record for record in content["records"] if isinstance(record, dict)]
    name, key = str(account.get("name", ""))[:150], str(account.get("id", ""))[:20]
    return UnsentFile(name, key, str(content.get("saved_at", ""))[:40], records)


def import_records(file: UnsentFile, reader: Account) -> list[Row]:
    """Store what is not stored yet, in the order it was written, and return the outcome of each record.

    Records from the reader's own phone are made by the reader. Any other file only claims who wrote it,
    so its records have no known maker.
    """
    is_their_own = (file.account_id, file.written_by) == (str(reader.pk), reader.get_username())
    with contextlib.nullcontext() if is_their_own else current_account.importing_records():
        rows = [_import_record(record, reader) for record in file.records]
    return _with_doubts(rows, reader.unit_system)


def _with_doubts(rows: list[Row], system: str) -> list[Row]:
    """The rows with what is doubted about the records that were stored; each machine is asked once."""
    keys = {row.key for row in rows if row.outcome == "stored" and row.key is not None}
    machines = Vehicle.objects.filter(
        Q(revisions__sessions__in=keys)
        | Q(revisions__sessions__passes__in=keys)
        | Q(revisions__sessions__readings__in=keys)
        | Q(revisions__failures__in=keys)
    ).distinct()
    sentences: dict[uuid.UUID, list[str]] = {}
    for vehicle in machines if keys else ():
        for open_doubt in doubts_of_machine(vehicle).listed_of_keys(keys, system):
            sentences.setdefault(open_doubt.record, []).append(open_doubt.doubt.sentence)
    return [
        replace(row, doubts=tuple(sentences.get(row.key, ()))) if row.key in keys and row.key is not None else row
        for row in rows
    ]


def _import_record(record: dict[str, Any], reader: Account) -> Row:
    kind, words = str(record.get("kind", ""))[:40], str(record.get("words", ""))[:200]
    try:
        key, payload = uuid.UUID(str(record.get("id"))), record.get("payload")
        if record.get("action") != "remove" and _was_deleted(kind, key):
            return Row(kind, words, "was deleted", "It was deleted on a phone or at the desk after the file was saved.")
        if kind in WITH_FILE and record.get("action") != "remove":
            return Row(kind, words, *WITH_FILE[kind](key, payload, record.get("bytes")))
        if kind not in KINDS:
            return Row(kind, words, "refused", "This server knows no such kind of record.")
        if record.get("action") == "remove":
            return Row(kind, words, *_remove(KINDS[kind], key, _precondition(record), reader))
        if not isinstance(payload, dict):
            return Row(kind, words, "refused", "Its content is missing.")
        stored = put_record(_serializer_of(KINDS[kind], payload, record.get("changed")), key, _precondition(record))
        return Row(kind, words, "stored" if stored.created else "was there", key=key)
    except VersionMissing:
        return Row(kind, words, "kept the server's", "It differs, and the phone did not know which version it changed.")
    except ChangedElsewhere as error:
        return Row(kind, words, "kept the server's", error.sentence)
    except serializers.ValidationError as error:
        return Row(kind, words, "refused", _sentence(error.detail))
    except ValidationError as error:
        return Row(kind, words, "refused", " ".join(error.messages))
    except ValueError:
        return Row(kind, words, "refused", "Its key is not a UUID.")
    except (IntegrityError, DataError, OverflowError):
        return Row(kind, words, "refused", "The database refused it: it breaks a rule.")


def _was_deleted(kind: str, key: uuid.UUID) -> bool:
    """Whether it was deleted since, and not restored."""
    model: Any = {"photos": Photo, "voice-notes": VoiceNote}.get(kind) or (kind in KINDS and KINDS[kind].Meta.model)
    if not model or not RemovedRecord.objects.filter(pk=key).exists():
        return False
    return not model.objects.filter(pk=key).exists()


def _serializer_of(
    serializer: type[serializers.ModelSerializer[Any]], payload: dict[str, Any], changed: Any
) -> Callable[[Any], serializers.ModelSerializer[Any]]:
    """Of a change only the changed fields count; the others are needed where the record no longer exists."""
    if not isinstance(changed, list):
        return lambda instance: serializer(instance, data=payload)
    part = {name: payload[name] for name in payload if name in changed}
    return lambda instance: (
        serializer(instance, data=payload) if instance is None else (serializer(instance, data=part, partial=True))
    )


def _precondition(record: dict[str, Any]) -> Precondition:
    return Precondition.of_version(str(record.get("base") or ""), must_be_new=bool(record.get("fresh")))


def _photo(key: uuid.UUID, payload: Any, content: Any) -> tuple[str, str]:
    if Photo.objects.filter(pk=key).exists():
        return "was there", ""
    if not isinstance(payload, dict) or not isinstance(content, str):
        return "refused", "Its picture is missing."
    subject = {f"{name}_id": uuid.UUID(str(payload[name])) for name in SUBJECTS if payload.get(name)}
    for name in subject:
        kind = name.removesuffix("_id")
        if not subjects_of_kind(kind).filter(pk=subject[name]).exists():
            return "refused", f"The {kind} it shows is not on this server."
    picture = _file(content)
    if picture is None:
        return "refused", "Its picture was damaged on the way."
    store_photo(picture, caption=str(payload.get("caption", ""))[:200], pk=key, **subject)
    return "stored", ""


def _voice_note(key: uuid.UUID, payload: Any, content: Any) -> tuple[str, str]:
    if VoiceNote.objects.filter(pk=key).exists():
        return "was there", ""
    sound = _file(content)
    if not isinstance(payload, dict) or sound is None:
        return "refused", "Its sound is missing, or was damaged on the way."
    serializer = VoiceNoteSerializer(data={**payload, "sound": sound})
    serializer.is_valid(raise_exception=True)
    fields = dict(serializer.validated_data)
    store_voice_note(fields.pop("sound"), pk=key, **fields)
    return "stored", ""


def _file(content: Any) -> ContentFile[bytes] | None:
    try:
        return ContentFile(base64.b64decode(content, validate=True), name="file") if isinstance(content, str) else None
    except binascii.Error:
        return None


WITH_FILE: dict[str, Callable[[uuid.UUID, Any, Any], tuple[str, str]]] = {
    "photos": _photo,
    "voice-notes": _voice_note,
}


def _remove(
    serializer: type[serializers.ModelSerializer[Any]], key: uuid.UUID, precondition: Precondition, reader: Account
) -> tuple[str, str]:
    model: Any = serializer.Meta.model
    record = model.objects.filter(pk=key).first()
    if record is None:
        return "was there", "It was removed before."

    def check(current: Any) -> None:
        stored = serializer(current).data
        if not precondition.holds_for(stored):
            raise ChangedElsewhere(stored, None)

    try:
        removal.remove(record, reader, check)
    except ChangedElsewhere:
        return "kept the server's", "It was changed elsewhere after it was removed on the phone."
    except removal.NotRemoved as error:
        return "refused", str(error)
    return "removed", ""


def _sentence(detail: Any) -> str:
    if isinstance(detail, dict):
        return " ".join(f"{name}: {_sentence(inner)}" for name, inner in detail.items())
    if isinstance(detail, list):
        return " ".join(_sentence(inner) for inner in detail)
    return str(detail)
