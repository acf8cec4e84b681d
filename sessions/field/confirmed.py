"""Which of the records that a phone holds confirmations of are still stored here.

After an older backup was restored, by a command or by hand, the phone may have the only copy. Phones ask for
records by key, so a restore needs to note nothing.
"""

from __future__ import annotations

import uuid
from typing import Any

from rest_framework import serializers

from buildlog.failures.models import FailureMode
from buildlog.machines.models import Revision
from buildlog.models import RemovedRecord
from buildlog.photos.models import Photo
from buildlog.records.put_record import version_of
from sessions.bench.models import TestCard
from sessions.field.unsent_file import KINDS
from sessions.outings.models import TrackPart, VoiceNote

MOST_AT_ONCE = 500
WITHOUT_VERSION = {
    "photos": Photo,
    "track-parts": TrackPart,
    "voice-notes": VoiceNote,
    "failure-modes": FailureMode,
    "test-cards": TestCard,
    "revisions": Revision,
}
"""A phone never changes these; only whether they are here is of interest."""


def stored_versions(keys_by_kind: Any) -> dict[str, Any]:
    """The version of each record that is here, and which of the others were removed on purpose.

    `keys_by_kind` is keys by kind. Raises ValidationError for anything else.
    """
    keys = _keys(keys_by_kind)
    versions: dict[str, str] = {}
    for kind, kind_keys in keys.items():
        versions |= _versions(kind, kind_keys)
    missing = [key for kind_keys in keys.values() for key in kind_keys if str(key) not in versions]
    all_keys = [key for kind_keys in keys.values() for key in kind_keys]
    removed = [str(key) for key in RemovedRecord.objects.filter(pk__in=all_keys).values_list("pk", flat=True)]
    return {
        "versions": versions,
        "missing": [str(key) for key in missing],
        "removed": [key for key in removed if key not in versions],
        # Sent again by a late request or a file. What was restored at the desk is no longer noted as removed.
        "returned": [key for key in removed if key in versions],
    }


def version_of_key(kind: str, key: str) -> str | None:
    """The version of one record; None where it is not here, "" where it is of a kind that has none."""
    [keys] = _keys({kind: [key]}).values()
    return _versions(kind, keys).get(str(keys[0]))


def _keys(keys_by_kind: Any) -> dict[str, list[uuid.UUID]]:
    example = 'Send keys by kind, for example {"passes": ["0b3f6a52-…"]}.'
    if not isinstance(keys_by_kind, dict) or not all(isinstance(keys, list) for keys in keys_by_kind.values()):
        raise serializers.ValidationError({"detail": example})
    unknown = [kind for kind in keys_by_kind if kind not in KINDS and kind not in WITHOUT_VERSION]
    if unknown:
        raise serializers.ValidationError({"detail": f"There is no kind of record {str(unknown[0])[:40]!r}. {example}"})
    if sum(map(len, keys_by_kind.values())) > MOST_AT_ONCE:
        raise serializers.ValidationError({"detail": f"At most {MOST_AT_ONCE} keys at once."})
    try:
        return {kind: [uuid.UUID(str(key)) for key in keys] for kind, keys in keys_by_kind.items()}
    except ValueError:
        raise serializers.ValidationError({"detail": f"A key is not a UUID. {example}"}) from None


def _versions(kind: str, keys: list[uuid.UUID]) -> dict[str, str]:
    if kind in WITHOUT_VERSION:
        records = WITHOUT_VERSION[kind]._default_manager.filter(pk__in=keys)
        return {str(key): "" for key in records.values_list("pk", flat=True)}
    model: Any = KINDS[kind].Meta.model
    rows = model.objects.filter(pk__in=keys)
    if kind == "gates":
        rows = rows.prefetch_related("marks")
    return {str(row.pk): version_of(KINDS[kind](row).data) for row in rows}
