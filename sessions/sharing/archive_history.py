"""What the records of an archive were before: each change with who, when, from where, and the state that it made.

An account of one installation is none of another, even under the same name. So an imported change belongs to no
account: the name that the archive gives is shown in words.
"""

from __future__ import annotations

import copy
import json
import uuid
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from typing import Any

import reversion
from django.core import serializers
from django.core.exceptions import ObjectDoesNotExist, ValidationError
from django.core.serializers.base import DeserializationError
from django.db.models import ForeignKey, Model, OneToOneField, UUIDField
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from reversion.errors import RevertError
from reversion.models import Revision as KeptRevision
from reversion.models import Version

from buildlog.failures.models import Modification
from buildlog.machines.models import Part, Vehicle
from buildlog.records.exact_json import FORMAT, Row, owner_column, part_from, part_model, part_names, rows_of
from buildlog.records.kept_states import parts_in, version_of
from buildlog.records.models import Change, MadeRecord
from sessions.sharing.archive_records import columns_of, kind_of, records_of

MOST_KEYS = 500
MOST_CHANGES = 200_000
MOST_PARTS = 200
LONGEST_NAME = 150
FIRST, LAST = datetime(1900, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)
SLOW_CLOCK = timedelta(days=1)
"""An archive may come from a machine whose clock is ahead."""

Known = Callable[[type[Model], str], Any]
"""The key here of a record of the file; None for one that the file does not have."""


class _Odd(ValueError):
    """The entry cannot be a state of its record."""


def _keeps_history(model: type[Model]) -> bool:
    """Whether a kind has a page of its history: its key is a UUID, its own or that of the machine it belongs to."""
    return reversion.is_registered(model) and isinstance(model._meta.pk, UUIDField | OneToOneField)


def _named_columns(model: type[Model]) -> list[Any]:
    """The columns of a state: files are left out, which the record has as it is now."""
    return [column for column in columns_of(model) if column.get_internal_type() != "FileField"]


def history_of(model: type[Model], records: Iterable[Model]) -> Iterator[dict[str, Any]]:
    """The changes of an archive's records of one kind, the oldest of each record first."""
    if not _keeps_history(model):
        return
    keys = [str(record.pk) for record in records]
    names = [column.attname for column in _named_columns(model)]
    names += [column.attname for column in model._meta.local_many_to_many]
    for at in range(0, len(keys), MOST_KEYS):
        versions = Version.objects.get_for_model(model).filter(object_id__in=keys[at : at + MOST_KEYS])
        shown = versions.filter(revision__change__isnull=False).select_related("revision__change", "revision__user")
        for version in shown.order_by("pk"):
            try:
                state = version.field_dict
            except RevertError:
                continue  # written in a way that this version cannot read any more
            kept = version.revision
            yield {
                "kind": kind_of(model),
                "record": version.object_id,
                "at": kept.date_created,
                "by": kept.user.get_username() if kept.user is not None else kept.comment,
                "act": kept.change.act,
                "source": kept.change.source,
                "state": {name: state[name] for name in names if name in state},
            } | _parts_out(model, version)


def _parts_out(model: type[Model], version: Version) -> dict[str, Any]:
    """What a change keeps of its record's parts, such as the marks of a gate; nothing where it keeps none."""
    parts = {}
    for name, rows in parts_in(version).items():
        columns = _named_columns(part_model(model, name))
        try:
            kept = [part_from(model(pk=version.object_id), name, row) for row in rows]
        except DeserializationError:
            continue  # as with a state that cannot be read
        parts[name] = [{column.attname: getattr(part, column.attname) for column in columns} for part in kept]
    return {"parts": parts} if parts else {}


def store_history(entries: Any, stored_now: Collection[tuple[str, str]], known: Known, notes: list[str]) -> int:
    """Store the changes of records that were stored just now, and say what was left out. Returns how many.

    entries: what the file holds under `history`, whatever that is. Must be inside the transaction of the import.
    """
    if not isinstance(entries, list) or len(entries) > MOST_CHANGES:
        notes.append("The history of its records is damaged, or longer than any machine's, and was left out.")
        return 0
    models = {kind_of(model): model for model in records_of(Vehicle()) if _keeps_history(model)}
    wanted: dict[str, list[dict[str, Any]]] = {}
    odd = 0
    for entry in entries:
        if not isinstance(entry, dict) or not isinstance(entry.get("kind"), str) or entry["kind"] not in models:
            odd += 1
        elif (entry["kind"], str(entry.get("record"))) in stored_now:
            wanted.setdefault(entry["kind"], []).append(entry)
        elif known(models[entry["kind"]], str(entry.get("record"))) is None:
            odd += 1  # a record that the file does not have
    count = 0
    for kind, of_kind in wanted.items():
        for at in range(0, len(of_kind), MOST_KEYS):
            some = of_kind[at : at + MOST_KEYS]
            stored = _store_changes(models[kind], some, known)
            count, odd = count + stored, odd + len(some) - stored
    if odd:
        notes.append(
            f"{odd} {'change' if odd == 1 else 'changes'} in the history of its records cannot be read, or "
            f"{'is' if odd == 1 else 'are'} none of these records, and {'was' if odd == 1 else 'were'} left out."
        )
    return count


def _store_changes(model: type[Model], entries: list[dict[str, Any]], known: Known) -> int:
    keys = {known(model, str(entry["record"])) for entry in entries}
    records = model._base_manager.in_bulk(list(keys))
    revisions, changes, versions = [], [], []
    for entry in entries:
        record = records.get(known(model, str(entry["record"])))
        if record is None:
            continue
        try:
            revision, change = _how(entry)
            version = _version(record, entry.get("state"), entry.get("parts", {}), known)
        except _Odd:
            continue
        revisions.append(revision)
        changes.append(change)
        versions.append(version)
    KeptRevision.objects.bulk_create(revisions)
    for revision, change, version in zip(revisions, changes, versions, strict=True):
        change.revision = version.revision = revision
    Change.objects.bulk_create(changes)
    Version.objects.bulk_create(versions)
    return len(versions)


def _how(entry: Mapping[str, Any]) -> tuple[KeptRevision, Change]:
    act, source, by = entry.get("act"), entry.get("source"), entry.get("by")
    if act not in Change.Act.values or source not in ("", *Change.Source.values) or not isinstance(by, str):
        raise _Odd
    try:
        at = parse_datetime(entry["at"])
    except (KeyError, TypeError, ValueError):
        raise _Odd from None
    if at is None or timezone.is_naive(at) or not FIRST <= at <= timezone.now() + SLOW_CLOCK:
        raise _Odd
    return KeptRevision(date_created=at, comment=in_words(by)), Change(act=act, source=source)


def in_words(name: str) -> str:
    """A name of another installation, so that nobody takes it for an account of this one."""
    ending = " (says the archive)"
    name = name.strip()[:LONGEST_NAME]
    return name if not name or name.endswith(ending) else f"{name}{ending}"


def _version(record: Model, state: Any, parts: Any, known: Known) -> Version:
    """The state of an entry as it is kept here, with the keys of this installation. Raises _Odd."""
    model = type(record)
    if not isinstance(state, dict) or not isinstance(parts, dict):
        raise _Odd
    earlier = copy.copy(record)
    many: dict[str, list[str]] = {}
    try:
        unchecked = _give(earlier, state, known)
        for column in model._meta.local_many_to_many:
            linked = state.get(column.attname, [])
            linked_model: Any = column.related_model
            if not isinstance(linked, list):
                raise _Odd
            many[column.name] = [str(known(linked_model, str(key)) or uuid.UUID(str(key))) for key in linked]
        if isinstance(earlier, Modification) and isinstance(earlier.changed, list):
            earlier.changed = [str(known(Part, str(name)) or name) for name in earlier.changed]
        _check(earlier, unchecked)
        [written] = json.loads(serializers.serialize(FORMAT, [earlier]))
        written["fields"] |= many
        written.pop("parts", None)  # those that the record has now
        if kept := [name for name in part_names(model) if name in parts]:
            written["parts"] = {name: _part_rows(record, name, parts[name], known) for name in kept}
        version = version_of(record, json.dumps([written], allow_nan=False))
        _ = version.field_dict  # as its page will read it
    except (
        ValidationError,
        RevertError,
        TypeError,
        ValueError,
        OverflowError,
        AttributeError,
        LookupError,
        RecursionError,
    ):
        raise _Odd from None
    return version


def _give(record: Model, values: dict[str, Any], known: Known) -> set[str]:
    """Give a record the values of the file, with keys of this installation; returns what cannot be checked."""
    named = _named_columns(type(record))
    unchecked = {column.name for column in record._meta.concrete_fields if column not in named}
    for column in named:
        if column.primary_key or column.attname not in values:
            continue
        value = values[column.attname]
        if isinstance(column, ForeignKey) and value is not None:
            linked_model: Any = column.related_model
            here = known(linked_model, str(value))
            if here is None:  # deleted before the archive was made
                unchecked.add(column.name)
            value = column.to_python(value) if here is None else here
        setattr(record, column.attname, value)
    return unchecked


def _check(record: Model, unchecked: set[str]) -> None:
    """Raises ValidationError, or _Odd for a moment that no log knows."""
    record.clean_fields(exclude=unchecked)
    with suppress(ObjectDoesNotExist):  # it names what was deleted, so the database refuses to store it again
        record.clean()
    for column in _named_columns(type(record)):
        value = getattr(record, column.attname)
        if isinstance(value, datetime) and not FIRST <= value <= LAST:
            raise _Odd


def _part_rows(record: Model, name: str, entries: Any, known: Known) -> list[Row]:
    """The parts of an entry as they are kept here; as odd as their entry where one of them is."""
    if not isinstance(entries, list) or len(entries) > MOST_PARTS:
        raise _Odd
    kind, owner = part_model(type(record), name), owner_column(type(record), name)
    parts = []
    for values in entries:
        part = kind()
        if isinstance(part, MadeRecord):
            part.came_from_elsewhere(None)
        if isinstance(kind._meta.pk, UUIDField):
            key = str(values[kind._meta.pk.attname])
            part.pk = known(kind, key) or uuid.UUID(key)
        unchecked = _give(part, values, known)
        setattr(part, owner.attname, record.pk)
        _check(part, {*unchecked, owner.name, kind._meta.pk.name})
        parts.append(part)
    return rows_of(record, name, parts)
