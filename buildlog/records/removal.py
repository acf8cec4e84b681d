"""Removing a record: who may, what is removed with it, and a line in the log."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from typing import Any

from django.apps import apps
from django.db import DEFAULT_DB_ALIAS, transaction
from django.db.models import Model, ProtectedError, QuerySet, RestrictedError
from django.db.models.deletion import Collector

from buildlog.people.roles import OWN_RECORD_PERIOD, Right, has_right, is_own_and_recent
from buildlog.records import change_log, trash
from buildlog.records.models import MadeRecord, RemovedRecord
from buildlog.storage.conflicts import retry_on_conflict
from buildlog.storage.stored_files import files_kept

ASK = "A builder can remove it."


class NotRemoved(Exception):
    """The record stays; the message is a sentence for people."""


class HasDependents(NotRemoved):
    """Other records depend on it, and the database keeps them."""


class NotPermitted(NotRemoved):
    """The account may not remove this record."""


def remove(record: Model, account: Any, before_removal: Callable[[Model], None] | None = None) -> None:
    """Remove a record with what belongs only to it, and write a line about it.

    `before_removal` is called with the locked record, and may raise. Raises NotPermitted or HasDependents.
    """
    try:
        retry_on_conflict(lambda: _remove(record, account, before_removal))
    except (ProtectedError, RestrictedError) as error:
        raise _refusal_for_dependents(record, error) from None


def _remove(record: Model, account: Any, before_removal: Callable[[Model], None] | None) -> None:
    with transaction.atomic():
        # Locked, so that nobody adds a dependent record between the check and the removal.
        stored = type(record)._base_manager.select_for_update().filter(pk=record.pk).first()
        if stored is None:
            return
        if before_removal is not None:
            before_removal(stored)
        check(stored, account)
        into_trash(stored)


def into_trash(stored: Model) -> None:
    """Remove a record, whoever asks, with what belongs only to it; must be inside a transaction."""
    key = stored.pk
    collector = Collector(using=DEFAULT_DB_ALIAS, origin=stored)
    collector.collect([stored])
    _store_removed_keys(collector)
    removal = trash.keep(stored, collector)
    with ExitStack() as keeping:
        files = keeping.enter_context(files_kept()) if removal is not None else []
        _, counts = stored.delete()
    stored.pk = key
    counts[stored._meta.label] = counts.get(stored._meta.label, 1) - 1
    along = {_plural(label): count for label, count in counts.items()}
    if removal is not None:
        removal.counts = {kind: count for kind, count in along.items() if count}
        removal.files = files
        removal.save(force_insert=True)
        trash.empty_expired()
    change_log.note_removal(stored, along)


def _store_removed_keys(collector: Collector) -> None:
    """Store the keys of all that is removed, so that a phone does not offer its copies again as lost."""
    # A client may have given one key to records of two kinds; PostgreSQL takes each key once in a statement.
    kinds: dict[Any, str] = {}
    for model, instances in collector.data.items():
        kinds.update((instance.pk, model._meta.label) for instance in instances)
    for rows in collector.fast_deletes:
        kinds.update((key, rows.model._meta.label) for key in rows.values_list("pk", flat=True))
    RemovedRecord.objects.bulk_create(
        [RemovedRecord(kind=kind, key=key) for key, kind in kinds.items() if isinstance(key, uuid.UUID)],
        update_conflicts=True,
        unique_fields=["key"],
        update_fields=["kind", "removed_at"],
        batch_size=500,
    )


def check(record: Model, account: Any) -> None:
    """Raises NotPermitted where the account may not remove the record, by its maker and its dependents."""
    if has_right(account, Right.REMOVE):
        return
    if not is_own_and_recent(account, record):
        hours = int(OWN_RECORD_PERIOD.total_seconds() // 3600)
        maker = _maker_in_words(record)
        raise NotPermitted(f"You may remove what you made yourself within the last {hours} hours; {maker}. {ASK}")
    others: dict[str, int] = {}
    try:
        dependents = list(_dependents(record))
    except (ProtectedError, RestrictedError) as error:
        raise _refusal_for_dependents(record, error) from None
    for model, rows in dependents:
        if count := _not_made_by(account, model, rows):
            owner: Any = model._meta.auto_created or model  # for a table of links, the model that has them
            kind = str(owner._meta.verbose_name_plural)
            others[kind] = others.get(kind, 0) + count
    if others:
        listed = " and ".join(f"{count} {kind}" for kind, count in sorted(others.items()))
        raise NotPermitted(f"It is kept, because {listed} of others belong to it. {ASK}")


def _maker_in_words(record: Model) -> str:
    maker, made_at = getattr(record, "made_by", None), getattr(record, "made_at", None)
    if maker is None or made_at is None:
        return "who made this is not known"
    return f"this was made by {maker.get_username()} on {made_at:%Y-%m-%d}"


def _dependents(record: Model) -> Iterator[tuple[type[Model], Any]]:
    """Records that would be removed with a record, or would lose their link to it."""
    collector = Collector(using=DEFAULT_DB_ALIAS, origin=record)
    collector.collect([record])
    for model, instances in collector.data.items():
        yield model, [instance for instance in instances if instance != record]
    for rows in collector.fast_deletes:
        yield rows.model, rows
    for updates in collector.field_updates.values():
        changed: Any  # a query, or a list of records; the stub says one record
        for changed in updates:
            if changed:
                yield (changed.model if isinstance(changed, QuerySet) else type(changed[0])), changed


def _not_made_by(account: Any, model: type[Model], rows: Any) -> int:
    name = _maker_of(model)
    if name is None:
        # A link belongs to the other record; a record without a maker of its own is part of this one.
        return len(rows) if model._meta.auto_created else 0
    return sum(getattr(row, f"{name}_id") != account.pk for row in rows)


def _maker_of(model: type[Model]) -> str | None:
    if issubclass(model, MadeRecord):
        return "made_by"
    return "account" if any(field.name == "account" for field in model._meta.concrete_fields) else None


def _refusal_for_dependents(record: Model, error: ProtectedError | RestrictedError) -> HasDependents:
    """The refusal that names the kinds of records that depend on a record."""
    dependents = error.protected_objects if isinstance(error, ProtectedError) else error.restricted_objects
    kinds = " and ".join(sorted({str(dependent._meta.verbose_name_plural) for dependent in dependents}))
    return HasDependents(f"{record} is kept: {kinds} depend on it. Delete those first.")


def _plural(label: str) -> str:
    return str(apps.get_model(label)._meta.verbose_name_plural)
