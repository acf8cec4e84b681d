"""Reading in the file that a phone saved of everything it could not send.

Reading the same file twice changes nothing the second time: every record has its key.
"""

from __future__ import annotations

import base64
import binascii
import contextlib
import json
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.core.exceptions import ValidationError
from django.core.files.base import ContentFile
from django.db import DataError, IntegrityError
from rest_framework import serializers

from buildlog.failures.serializers import FailureSerializer
from buildlog.people import current_account
from buildlog.people.models import Account
from buildlog.photos.models import SUBJECTS, Photo, subjects_of_kind
from buildlog.photos.pictures import store_photo
from buildlog.records import removal
from buildlog.records.put_record import ChangedElsewhere, Precondition, VersionMissing, put_record
from sessions.bench.serializers import TestCardItemSerializer
from sessions.outings.serializers import (
    GateSerializer,
    GoNoGoCheckSerializer,
    PassSerializer,
    ReadingSerializer,
    SessionSerializer,
    TrackPartSerializer,
    VenueSerializer,
)

FORMAT = 1
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
}


class NotAnUnsentFile(ValueError):
    """The file is not what the field page saves; the message is a sentence for people."""


@dataclass(frozen=True)
class Row:
    """What became of one record of the file."""

    kind: str
    words: str
    outcome: str
    sentence: str = ""


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
            f"The file has {file.size / 1e6:.0f} MB; at most {LARGEST_BYTES / 1e6:.0f} MB are read in at once."
        )
    try:
        told = json.loads(file.read().decode("utf-8"))
    except (UnicodeDecodeError, ValueError, RecursionError):
        raise NotAnUnsentFile("This is not a file the field page saved, or it was cut short on the way.") from None
    if not isinstance(told, dict) or told.get("firnlog") != "unsent" or not isinstance(told.get("records"), list):
        raise NotAnUnsentFile("This is not a file of unsent records. On the phone: Waiting, then Save to a file.")
    if told.get("format") != FORMAT:
        raise NotAnUnsentFile(
            f"The file has format {str(told.get('format'))[:20]!r}; this server reads format {FORMAT}."
        )
    account = told.get("account")
    account = account if isinstance(account, dict) else {}
    records = [record for record in told["records"] if isinstance(record, dict)]
    name, key = str(account.get("name", ""))[:150], str(account.get("id", ""))[:20]
    return UnsentFile(name, key, str(told.get("saved_at", ""))[:40], records)


def read_in(file: UnsentFile, reader: Account) -> list[Row]:
    """Store what is not stored yet, in the order it was written, and say what became of each.

    What the reader's own phone wrote is made by the reader. Who wrote any other file is only what that
    file says, so its records have no known maker.
    """
    is_their_own = (file.account_id, file.written_by) == (str(reader.pk), reader.get_username())
    with contextlib.nullcontext() if is_their_own else current_account.made_by_somebody_else():
        return [_read_one(record, reader) for record in file.records]


def _read_one(record: dict[str, Any], reader: Account) -> Row:
    kind, words = str(record.get("kind", ""))[:40], str(record.get("words", ""))[:200]
    try:
        key, payload = uuid.UUID(str(record.get("id"))), record.get("payload")
        if kind == "photos":
            return Row(kind, words, *_photo(key, payload, record.get("bytes")))
        if kind not in KINDS:
            return Row(kind, words, "refused", "This server knows no such kind of record.")
        if record.get("action") == "remove":
            return Row(kind, words, *_remove(KINDS[kind], key, _precondition(record), reader))
        if not isinstance(payload, dict):
            return Row(kind, words, "refused", "Its content is missing.")
        stored = put_record(_serializer_of(KINDS[kind], payload, record.get("changed")), key, _precondition(record))
        return Row(kind, words, "stored" if stored.made else "was there")
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


def _serializer_of(
    serializer: type[serializers.ModelSerializer[Any]], payload: dict[str, Any], changed: Any
) -> Callable[[Any], serializers.ModelSerializer[Any]]:
    """Of a change only the changed fields count; the rest is there for a record that is gone."""
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
        shown = name.removesuffix("_id")
        if not subjects_of_kind(shown).filter(pk=subject[name]).exists():
            return "refused", f"The {shown} it shows is not on this server."
    try:
        picture = ContentFile(base64.b64decode(content, validate=True), name="photo")
    except binascii.Error:
        return "refused", "Its picture was damaged on the way."
    store_photo(picture, caption=str(payload.get("caption", ""))[:200], pk=key, **subject)
    return "stored", ""


def _remove(
    serializer: type[serializers.ModelSerializer[Any]], key: uuid.UUID, precondition: Precondition, reader: Account
) -> tuple[str, str]:
    model: Any = serializer.Meta.model
    record = model.objects.filter(pk=key).first()
    if record is None:
        return "was there", "It was removed before."

    def check(there: Any) -> None:
        held = serializer(there).data
        if not precondition.holds_for(held):
            raise ChangedElsewhere(held, None)

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
