"""Storing a record under a key made by its client: once, however often it is sent.

A client names the version it changes, in the body (`version`) or in `If-Match`, or requires that the record does
not exist yet (`If-None-Match: *`), as in RFC 9110, section 13. A record that was changed elsewhere is not
overwritten: both versions are returned, and a person chooses. A change without any of these is refused (RFC 6585,
section 3), unless it equals what is stored already.
"""

from __future__ import annotations

import hashlib
import json
import re
import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from django.core.serializers.json import DjangoJSONEncoder
from django.db import IntegrityError, transaction
from django.http import Http404
from rest_framework import status
from rest_framework.exceptions import APIException

from buildlog.records import history
from buildlog.storage.conflicts import retry_on_conflict

VERSION = "version"
"""The key of a record's version in its representation."""
EMPTY: tuple[Any, ...] = (None, "", [], {})
OURS = re.compile(r"[0-9a-f]{32}")
MOST_LETTERS = 1000


def version_of(representation: Mapping[str, Any]) -> str:
    """The version of a record as the API writes it: records of equal content have equal versions.

    Empty fields do not count, so a field that a later release adds changes no version until it has a value.
    """
    return _hash(_content(representation))


def entity_tag_of(representation: Mapping[str, Any]) -> str:
    """The version as written in the header `ETag`."""
    return f'"{_own_version(representation)}"'


def _own_version(representation: Mapping[str, Any]) -> str:
    """The version that a representation names, of the record's own content; worked out where it names none."""
    return str(representation.get(VERSION) or version_of(representation))


def _content(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {name: _content(item) for name, item in value.items() if name != VERSION and item not in EMPTY}
    return [_content(item) for item in value] if isinstance(value, list) else value


def _version_of_earlier_release(representation: Mapping[str, Any]) -> str:
    """The version as earlier releases computed it, with empty fields; phones still hold such versions."""
    return _hash(_bare(representation))


def _hash(content: Any) -> str:
    text = json.dumps(content, sort_keys=True, cls=DjangoJSONEncoder)
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def _bare(representation: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in representation.items() if name != VERSION}


@dataclass(frozen=True)
class Precondition:
    """What the client requires of the stored record: one of these versions, any version, or that none exists."""

    versions: frozenset[str] = frozenset()
    any_version: bool = False
    must_be_new: bool = False

    @classmethod
    def of(cls, headers: Mapping[str, str], body: Any = None) -> Precondition:
        """Read from headers and body; if both name a version, either may be the stored one.

        Tags are compared weakly: a proxy that compresses a response marks its tag as weak, or adds a suffix.
        """
        match = headers.get("If-Match", "").strip()
        in_body = body.get(VERSION) if isinstance(body, Mapping) else None
        must_be_new = headers.get("If-None-Match", "").strip() == "*"
        return cls(_versions_in(match) | _versions_in(str(in_body or "")), match == "*", must_be_new)

    @classmethod
    def of_version(cls, text: str, *, must_be_new: bool = False) -> Precondition:
        return cls(_versions_in(text), must_be_new=must_be_new)

    @property
    def is_set(self) -> bool:
        return bool(self.versions) or self.any_version or self.must_be_new

    def holds_for(self, stored: Mapping[str, Any] | None) -> bool:
        if self.must_be_new:
            return stored is None
        if self.any_version:
            return stored is not None
        if self.versions:
            # By itself a representation also counts what is worked out; phones may hold such versions still.
            return stored is not None and not self.versions.isdisjoint(
                (_own_version(stored), version_of(stored), _version_of_earlier_release(stored))
            )
        return True


def _versions_in(text: str) -> frozenset[str]:
    """The versions in a text; text in another format stays as it is, and matches nothing."""
    text = text.strip()[:MOST_LETTERS]
    return frozenset(OURS.findall(text) or ({text} if text and text != "*" else ()))


@dataclass(frozen=True)
class Stored:
    """`record` has what was sent, with the records that it belongs to as they were read to check it."""

    record: Any
    representation: dict[str, Any]
    created: bool


class ChangedElsewhere(APIException):
    """The stored record is not the one the client changed."""

    status_code: int = status.HTTP_412_PRECONDITION_FAILED
    detail: Any  # both records as JSON; the framework's own errors hold sentences

    def __init__(self, stored: Mapping[str, Any] | None, sent: Mapping[str, Any] | None) -> None:
        self.sentence = self._sentence(stored)
        self.detail = {
            "detail": self.sentence,
            # The version is separate, so that a comparison of both shows only the fields that differ.
            "stored": None if stored is None else _bare(stored),
            "stored_version": "" if stored is None else entity_tag_of(stored),
            "sent": None if sent is None else _bare(sent),
        }

    def _sentence(self, stored: Mapping[str, Any] | None) -> str:
        change = "removed" if stored is None else "changed"
        return f"This record was {change} elsewhere in the meantime. Choose which version stays."


class VersionMissing(ChangedElsewhere):
    """A change of a stored record by a client that does not name the version it changes."""

    status_code = status.HTTP_428_PRECONDITION_REQUIRED

    def _sentence(self, stored: Mapping[str, Any] | None) -> str:
        return (
            "This record exists already, and differs. Send the version that you change, as GET returns it: "
            "as version in the body, or in the header If-Match."
        )


def put_record(
    serializer_of: Callable[[Any], Any], key: uuid.UUID, precondition: Precondition, *, may_create: bool = True
) -> Stored:
    """Create or change the record; fields that were not sent keep their values.

    `serializer_of` makes the serializer that holds the sent data, given the stored record or None.
    Sending what is stored already is no change, and so it never conflicts. With `may_create`
    False only a stored record is changed.

    Raises ValidationError for data that breaks a rule, ChangedElsewhere when the precondition fails,
    VersionMissing when there is none and the record would change, Http404 when the record does not exist and may
    not be created.
    """

    def put() -> Stored:
        return _put(serializer_of, key, precondition, may_create)

    try:
        return retry_on_conflict(put)
    except IntegrityError:
        # Two clients can create the record at the same time; on the second try it exists.
        return retry_on_conflict(put)


def _put(serializer_of: Callable[[Any], Any], key: uuid.UUID, precondition: Precondition, may_create: bool) -> Stored:
    model = serializer_of(None).Meta.model
    with transaction.atomic():
        instance = model.objects.select_for_update().filter(pk=key).first()
        if instance is None and not may_create:
            raise Http404
        before = None if instance is None else _as_written(serializer_of, instance)
        serializer = serializer_of(instance)
        serializer.is_valid(raise_exception=True)
        with history.changing(model(pk=key) if instance is None else instance) as change:
            serializer.save(pk=key)
            after = _as_written(serializer_of, serializer.instance)
            if after != before:
                if before is not None and not precondition.is_set:
                    raise VersionMissing(before, after)
                if not precondition.holds_for(before):
                    raise ChangedElsewhere(before, after)
            if before is not None:
                change.fields = _changed(before, after)
    return Stored(serializer.instance, after, created=before is None)


def _changed(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    return [name for name in after if name != VERSION and before.get(name) != after[name]]


def _as_written(serializer_of: Callable[[Any], Any], instance: Any) -> dict[str, Any]:
    writer = type(serializer_of(None))
    fresh = type(instance).objects.get(pk=instance.pk)
    written: dict[str, Any] = json.loads(json.dumps(writer(fresh).data, cls=DjangoJSONEncoder))
    return written
