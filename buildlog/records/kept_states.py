"""The states of records that history keeps: written, compared, and put back.

A state is the JSON of one record with its parts (`exact_json`), kept as a version of django-reversion.
"""

from __future__ import annotations

import json
from typing import Any

from django.contrib.contenttypes.models import ContentType
from django.core import serializers
from django.core.serializers.base import DeserializationError
from django.db import router
from django.db.models import Model
from reversion.errors import RevertError
from reversion.models import Revision as KeptRevision
from reversion.models import Version

from buildlog.records.exact_json import FORMAT, Row, part_from, part_model, part_names, part_rows
from buildlog.records.models import Change


class ChangedSince(Exception):
    """What is stored is not what the state says."""


def state_of(record: Model) -> str:
    return str(serializers.serialize(FORMAT, [record]))


def version_of(record: Model, state: str) -> Version:
    """A version of a record, not stored yet, and without its revision."""
    return Version(
        object_id=str(record.pk),
        content_type=ContentType.objects.get_for_model(type(record)),
        db=router.db_for_write(type(record)),
        format=FORMAT,
        serialized_data=state,
        object_repr=str(record),
    )


def keep(record: Model, state: str, act: str, *, at: Any, by: Any = None, source: str = "") -> None:
    version = version_of(record, state)
    version.revision = KeptRevision.objects.create(date_created=at, user=by)
    Change.objects.create(revision=version.revision, act=act, source=source)
    version.save()


def newest_of(record: Model) -> Version | None:
    version: Version | None = Version.objects.get_for_object(record).order_by("-pk").first()
    return version


def says(version: Version, state: str) -> bool:
    """Whether a version is this state, in all columns that both have; parts that were not kept differ from any."""
    [kept], [current] = json.loads(version.serialized_data), json.loads(state)
    for link in version._model._meta.local_many_to_many:  # in no order
        for one_state in (kept, current):
            one_state["fields"][link.name] = sorted(map(str, one_state["fields"].get(link.name, [])))
    columns = kept["fields"].keys() & current["fields"].keys()
    same = all(kept["fields"][name] == current["fields"][name] for name in columns)
    return same and kept.get("parts", {}) == current.get("parts", {})


def parts_in(version: Version) -> dict[str, list[Row]]:
    """The parts that a version keeps; a name that is missing was not kept, as by earlier versions."""
    parts: dict[str, list[Row]] = json.loads(version.serialized_data)[0].get("parts", {})
    return parts


def changed_parts(model: type[Model], before: Version, after: Version) -> list[str]:
    """The names of those parts that both versions keep, and that differ."""
    old, new = parts_in(before), parts_in(after)
    return [name for name in part_names(model) if name in old and name in new and old[name] != new[name]]


def put_parts_back(record: Model, newest: Version, earlier: Version) -> list[str]:
    """Give back the parts that differ between the two versions, as the earlier one has them; names those.

    Parts with a key of their own that the last change left alone stay as they are now. Raises ChangedSince where one
    that it touched is not stored as the newest version has it, and RevertError where it cannot be read any more.
    """
    names = changed_parts(type(record), earlier, newest)
    for name in names:
        kind, rows = part_model(type(record), name), part_rows(record, name)
        was, became = parts_in(earlier)[name], parts_in(newest)[name]
        if all(row["pk"] is None for row in (*was, *became)):
            if rows != became:
                raise ChangedSince
            getattr(record, name).all().delete()
            touched = was
        else:
            old, new, stored = ({row["pk"]: row for row in some} for some in (was, became, rows))
            keys = [key for key in (*old, *(new.keys() - old.keys())) if old.get(key) != new.get(key)]
            if any(stored.get(key) != new.get(key) for key in keys):
                raise ChangedSince
            kind._base_manager.filter(pk__in=[key for key in keys if key not in old]).delete()
            touched = [old[key] for key in keys if key in old]
        try:
            for row in touched:
                part_from(record, name, row).save_base(raw=True)  # as it was, whether it is there or not
        except DeserializationError as error:
            raise RevertError(str(error)) from None
    return names
