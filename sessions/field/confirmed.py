"""What is still here of the records that a phone holds a confirmation of.

After an older backup was put back, by a command or by hand, the phone may be the only one that has them.
The records are asked for by key, so nothing needs to be written down when the log goes back.
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
from sessions.outings.models import TrackPart

MOST_AT_ONCE = 500
WITHOUT_VERSION = {
    "photos": Photo,
    "track-parts": TrackPart,
    "failure-modes": FailureMode,
    "test-cards": TestCard,
    "revisions": Revision,
}
"""A phone never changes these; only whether they are here is of interest."""


def still_there(asked: Any) -> dict[str, Any]:
    """The version of each record that is here, and which of the others were removed on purpose.

    `asked` is keys by kind. Raises ValidationError for anything else.
    """
    keys = _keys(asked)
    versions: dict[str, str] = {}
    for kind, wanted in keys.items():
        versions |= _versions(kind, wanted)
    missing = [key for wanted in keys.values() for key in wanted if str(key) not in versions]
    removed = RemovedRecord.objects.filter(pk__in=missing).values_list("pk", flat=True) if missing else []
    return {"versions": versions, "missing": [str(key) for key in missing], "removed": [str(key) for key in removed]}


def version_of_one(kind: str, key: str) -> str | None:
    """The version of one record; None where it is not here, "" where it is of a kind that has none."""
    [wanted] = _keys({kind: [key]}).values()
    return _versions(kind, wanted).get(str(wanted[0]))


def _keys(asked: Any) -> dict[str, list[uuid.UUID]]:
    example = 'Send keys by kind, for example {"passes": ["0b3f6a52-…"]}.'
    if not isinstance(asked, dict) or not all(isinstance(wanted, list) for wanted in asked.values()):
        raise serializers.ValidationError({"detail": example})
    unknown = [kind for kind in asked if kind not in KINDS and kind not in WITHOUT_VERSION]
    if unknown:
        raise serializers.ValidationError({"detail": f"There is no kind of record {str(unknown[0])[:40]!r}. {example}"})
    if sum(map(len, asked.values())) > MOST_AT_ONCE:
        raise serializers.ValidationError({"detail": f"At most {MOST_AT_ONCE} keys at once."})
    try:
        return {kind: [uuid.UUID(str(key)) for key in wanted] for kind, wanted in asked.items()}
    except ValueError:
        raise serializers.ValidationError({"detail": f"A key is not a UUID. {example}"}) from None


def _versions(kind: str, wanted: list[uuid.UUID]) -> dict[str, str]:
    if kind in WITHOUT_VERSION:
        there = WITHOUT_VERSION[kind]._default_manager.filter(pk__in=wanted)
        return {str(key): "" for key in there.values_list("pk", flat=True)}
    model: Any = KINDS[kind].Meta.model
    rows = model.objects.filter(pk__in=wanted)
    if kind == "gates":
        rows = rows.prefetch_related("marks")
    return {str(row.pk): version_of(KINDS[kind](row).data) for row in rows}
