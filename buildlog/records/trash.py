"""The trash: what was deleted, with all that hung on it, can be restored whole for thirty days.

What belongs to somebody's access (read-only links, keys of devices) is not kept: what was deleted once is shut.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Iterator
from datetime import timedelta
from typing import Any

import reversion
from django.apps import apps
from django.core.exceptions import ObjectDoesNotExist
from django.core.files.storage import default_storage
from django.db import IntegrityError, connection, transaction
from django.db.models import Model, QuerySet, UUIDField
from django.db.models.deletion import Collector
from django.utils import timezone
from reversion.errors import RevertError
from reversion.models import Revision as KeptRevision
from reversion.models import Version

from buildlog.people import current_account
from buildlog.people.roles import Right, has_right
from buildlog.records import change_log
from buildlog.records.models import Change, Removal, RemovedRecord
from buildlog.storage.stored_files import remove_file

KEPT_FOR = timedelta(days=30)
MOST_NAMED = 200
MOST_KEYS = 500

Link = list[Any]
"""What pointed to a deleted record: label of the model, key, column, and the key that stood there."""


class NotRestored(Exception):
    """Nothing was restored; the message is a sentence for people."""


def keep(record: Model, collector: Collector) -> Removal | None:
    """Keep the states of all that goes with a record, before it is deleted; None for a kind without history.

    `collector` has collected the record. Must be inside the transaction that deletes it.
    """
    if not reversion.is_registered(type(record)):
        return None
    links: list[Link] = []
    with reversion.create_revision(manage_manually=True, atomic=False):
        reversion.set_user(current_account.account())
        reversion.add_meta(Change, act=Change.Act.REMOVED, source=current_account.source())
        for model, rows in _collected(collector):
            if model._meta.auto_created:
                links += [_row_of_links(row) for row in rows]
            elif reversion.is_registered(model):
                for row in rows:
                    reversion.add_to_revision(row)
    version = Version.objects.get_for_object(record).order_by("-pk")[0]
    for (column, _), updates in collector.field_updates.items():
        for changed in updates:
            rows = changed if isinstance(changed, QuerySet) else [changed]
            links += [
                [row._meta.label, _text(row.pk), column.attname, _text(getattr(row, column.attname))] for row in rows
            ]
    return Removal(
        revision_id=version.revision_id,
        model=record._meta.label,
        key=str(record.pk),
        kind=str(record._meta.verbose_name),
        name=str(record)[:MOST_NAMED],
        links=links,
        removed_by=current_account.account(),
    )


def _collected(collector: Collector) -> Iterator[tuple[type[Model], Iterable[Any]]]:
    yield from collector.data.items()
    for rows in collector.fast_deletes:
        yield rows.model, rows


def _row_of_links(row: Model) -> Link:
    columns = [field.attname for field in row._meta.concrete_fields if field.is_relation]
    return [row._meta.label, "", "", {column: _text(getattr(row, column)) for column in columns}]


def _text(key: Any) -> Any:
    return str(key) if isinstance(key, uuid.UUID) else key


def removals_for(account: Any) -> QuerySet[Removal]:
    """What an account may restore: who may remove, everything; others, what they deleted themselves."""
    rows = Removal.objects.select_related("removed_by")
    return rows if has_right(account, Right.REMOVE) else rows.filter(removed_by=account)


def restore(removal: Removal) -> Model:
    """Store the records again as they were, with what pointed to them where it points to nothing else since.

    Returns the record that was deleted. Raises NotRestored.
    """
    try:
        with transaction.atomic():
            return _restore(removal)
    except (IntegrityError, RevertError, ObjectDoesNotExist):
        raise NotRestored(
            f"{removal.name} cannot be restored as things are: what it belonged to was deleted too, or another record "
            "has taken its place, such as a pass with the same number. Restore or change that first."
        ) from None


def _restore(removal: Removal) -> Model:
    kept = Removal.objects.select_for_update().filter(pk=removal.pk).first()
    if kept is None:
        raise NotRestored("Somebody restored or deleted it meanwhile.")
    versions = list(kept.revision.version_set.all())
    if again := _first_of_those_there(versions):
        raise NotRestored(f"{again} is there again, so nothing was restored. Delete that first.")
    kept.revision.revert()
    pointing: dict[tuple[str, str, Any], list[Any]] = {}
    for label, key, column, value in kept.links:
        if column:
            pointing.setdefault((label, column, value), []).append(key)
        else:
            _relate_again(apps.get_model(label), value)
    for (label, column, value), pointers in pointing.items():
        _link_again(apps.get_model(label), pointers, column, value)
    keys = [version.object_id for version in versions if isinstance(version._model._meta.pk, UUIDField)]
    RemovedRecord.objects.filter(pk__in=keys).delete()
    connection.check_constraints()
    kept.delete()
    record: Model = apps.get_model(kept.model)._base_manager.get(pk=kept.key)
    with reversion.create_revision(manage_manually=True, atomic=False):
        reversion.set_user(current_account.account())
        reversion.add_meta(Change, act=Change.Act.RESTORED, source=current_account.source())
        reversion.add_to_revision(record)
    change_log.note_restored(record, len(versions) - 1)
    return record


def _first_of_those_there(versions: Iterable[Version]) -> str:
    """What the first record is called that is stored again; "" where none is. One query for each kind of record."""
    names: dict[type[Model], dict[str, str]] = {}
    for version in versions:
        names.setdefault(version._model, {})[version.object_id] = version.object_repr
    for model, of_kind in names.items():
        for some in _batches(of_kind):
            there = model._base_manager.filter(pk__in=some).values_list("pk", flat=True).first()
            if there is not None:
                return of_kind[str(there)]
    return ""


def _batches(keys: Iterable[Any]) -> Iterator[list[Any]]:
    """As many keys at once as any database takes in one question."""
    remaining = list(keys)
    for at in range(0, len(remaining), MOST_KEYS):
        yield remaining[at : at + MOST_KEYS]


def _link_again(model: type[Model], pointers: list[Any], column: str, value: Any) -> None:
    for some in _batches(pointers):
        model._base_manager.filter(pk__in=some, **{column: None}).update(**{column: value})


def _relate_again(model: type[Model], value: dict[str, Any]) -> None:
    related: dict[str, Any] = {
        field.attname: field.related_model for field in model._meta.concrete_fields if field.is_relation
    }
    if all(related[name]._base_manager.filter(pk=key).exists() for name, key in value.items()):
        model._base_manager.get_or_create(**value)


def empty(removals: Iterable[Removal]) -> int:
    """Delete for good what these removals keep, with its files and its history. Returns how many removals."""
    names: list[str] = []
    number = 0
    with transaction.atomic():
        for removal in removals:
            number += 1
            names += removal.files
            keys: dict[int, list[str]] = {}
            versions = Version.objects.filter(revision=removal.revision_id)
            for content_type, key in versions.values_list("content_type", "object_id"):
                keys.setdefault(content_type, []).append(key)
            for content_type, gone in keys.items():
                Version.objects.filter(content_type=content_type, object_id__in=gone).delete()
            KeptRevision.objects.filter(pk=removal.revision_id).delete()
        if number:
            # Those that held nothing but states of what is gone now.
            KeptRevision.objects.filter(version=None).delete()

        def remove_files() -> None:
            for name in names:
                remove_file(default_storage, name)

        transaction.on_commit(remove_files)
    return number


def empty_expired() -> int:
    """Delete for good what was deleted more than thirty days ago."""
    return empty(Removal.objects.filter(removed_at__lt=timezone.now() - KEPT_FOR))
