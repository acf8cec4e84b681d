"""Storing a record under a key its client made: once, however often it is sent.

A client may say which version it changes (`If-Match`) or that there must be none yet
(`If-None-Match: *`), as in RFC 9110, section 13. A record that was changed elsewhere is then not
overwritten: both versions are handed back, and a person chooses.
"""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from django.core.serializers.json import DjangoJSONEncoder
from django.db import IntegrityError, transaction
from rest_framework import status
from rest_framework.exceptions import APIException

from buildlog.conflicts import again_if_overtaken


def version_of(representation: Mapping[str, Any]) -> str:
    """The entity tag of a record as the API writes it; equal content has an equal tag."""
    text = json.dumps(representation, sort_keys=True, cls=DjangoJSONEncoder)
    return f'"{hashlib.sha256(text.encode()).hexdigest()[:32]}"'


@dataclass(frozen=True)
class Precondition:
    """What the client takes the stored record to be; with neither, whatever is there is replaced."""

    version: str = ""
    must_be_new: bool = False

    @classmethod
    def of(cls, headers: Mapping[str, str]) -> Precondition:
        return cls(headers.get("If-Match", "").strip(), headers.get("If-None-Match", "").strip() == "*")

    def holds_for(self, stored: Mapping[str, Any] | None) -> bool:
        if self.must_be_new:
            return stored is None
        if self.version:
            return stored is not None and version_of(stored) == self.version
        return True


@dataclass(frozen=True)
class Stored:
    representation: dict[str, Any]
    made: bool


class ChangedElsewhere(APIException):
    """The stored record is not the one the client changed."""

    status_code = status.HTTP_412_PRECONDITION_FAILED

    def __init__(self, stored: Mapping[str, Any] | None, sent: Mapping[str, Any] | None) -> None:
        words = "removed" if stored is None else "changed"
        self.detail = {
            "detail": f"This record was {words} elsewhere in the meantime. Choose which version stays.",
            "stored": stored,
            "stored_version": version_of(stored) if stored is not None else "",
            "sent": sent,
        }


def put_record(serializer_of: Callable[[Any], Any], key: uuid.UUID, precondition: Precondition) -> Stored:
    """Create or replace the record; fields that were not sent keep what they have.

    `serializer_of` makes the serializer that holds the sent data, given the stored record or None.
    Sending what is stored already is no change, and so it never conflicts.

    Raises ValidationError for data that breaks a rule, ChangedElsewhere when the precondition fails.
    """
    try:
        return again_if_overtaken(lambda: _put(serializer_of, key, precondition))
    except IntegrityError:
        # Two senders can find nothing stored at one moment; the second then finds the first's record.
        return again_if_overtaken(lambda: _put(serializer_of, key, precondition))


def _put(serializer_of: Callable[[Any], Any], key: uuid.UUID, precondition: Precondition) -> Stored:
    model = serializer_of(None).Meta.model
    with transaction.atomic():
        instance = model.objects.select_for_update().filter(pk=key).first()
        before = None if instance is None else _as_written(serializer_of, instance)
        serializer = serializer_of(instance)
        serializer.is_valid(raise_exception=True)
        serializer.save(pk=key)
        after = _as_written(serializer_of, serializer.instance)
        if after != before and not precondition.holds_for(before):
            raise ChangedElsewhere(before, after)
    return Stored(after, made=before is None)


def _as_written(serializer_of: Callable[[Any], Any], instance: Any) -> dict[str, Any]:
    writer = type(serializer_of(None))
    fresh = type(instance).objects.get(pk=instance.pk)
    return json.loads(json.dumps(writer(fresh).data, cls=DjangoJSONEncoder))
