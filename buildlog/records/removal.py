"""Removing a record: by whom, with what goes along, and a line in the log."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator
from typing import Any

from django.apps import apps
from django.db import DEFAULT_DB_ALIAS, transaction
from django.db.models import Model, ProtectedError, QuerySet, RestrictedError
from django.db.models.deletion import Collector

from buildlog.people.roles import OWN_FOR, Right, has_right, made_it_lately
from buildlog.records import change_log
from buildlog.records.models import MadeRecord, RemovedRecord
from buildlog.storage.conflicts import again_if_overtaken

ASK = "A builder can remove it."


class NotRemoved(Exception):
    """The record stays; the message is a sentence for people."""


class OthersRestOnIt(NotRemoved):
    """Records that the database keeps would be orphaned."""


class NotYours(NotRemoved):
    """The account may not remove this record."""


def remove(record: Model, account: Any, look: Callable[[Model], None] | None = None) -> None:
    """Remove a record with what belongs only to it, and write a line about it.

    `look` is called with the record as it stands, and may raise. Raises NotYours or OthersRestOnIt.
    """
    try:
        again_if_overtaken(lambda: _removed(record, account, look))
    except (ProtectedError, RestrictedError) as error:
        raise _rests_on(record, error) from None


def _removed(record: Model, account: Any, look: Callable[[Model], None] | None) -> None:
    with transaction.atomic():
        # Whoever would add something to it waits here, so that nothing is removed that was not looked at.
        there = type(record)._base_manager.select_for_update().filter(pk=record.pk).first()
        if there is None:
            return
        if look is not None:
            look(there)
        check(there, account)
        key = there.pk
        _keep_keys(there)
        _, counts = there.delete()
        there.pk = key
        counts[there._meta.label] = counts.get(there._meta.label, 1) - 1
        change_log.note_removal(there, {_plural(label): count for label, count in counts.items()})


def _keep_keys(record: Model) -> None:
    """Write down the keys of what is about to go, so that a phone's copy does not take it for lost."""
    collector = Collector(using=DEFAULT_DB_ALIAS, origin=record)
    collector.collect([record])
    keys: list[tuple[str, Any]] = []
    for model, instances in collector.data.items():
        keys += [(model._meta.label, one.pk) for one in instances]
    for rows in collector.fast_deletes:
        keys += [(rows.model._meta.label, pk) for pk in rows.values_list("pk", flat=True)]
    RemovedRecord.objects.bulk_create(
        [RemovedRecord(kind=kind, key=key) for kind, key in keys if isinstance(key, uuid.UUID)],
        update_conflicts=True,
        unique_fields=["key"],
        update_fields=["kind", "removed_at"],
        batch_size=500,
    )


def check(record: Model, account: Any) -> None:
    """Raises NotYours where the account may not remove the record: by whom it was made, and what rests on it."""
    if has_right(account, Right.REMOVE):
        return
    if not made_it_lately(account, record):
        hours = int(OWN_FOR.total_seconds() // 3600)
        raise NotYours(f"You may remove what you made yourself within the last {hours} hours; {_made(record)}. {ASK}")
    others: dict[str, int] = {}
    try:
        rests = list(_what_rests_on(record))
    except (ProtectedError, RestrictedError) as error:
        raise _rests_on(record, error) from None
    for model, rows in rests:
        if count := _not_made_by(account, model, rows):
            owner: Any = model._meta.auto_created or model  # the model whose links these are
            kind = str(owner._meta.verbose_name_plural)
            others[kind] = others.get(kind, 0) + count
    if others:
        listed = " and ".join(f"{count} {kind}" for kind, count in sorted(others.items()))
        raise NotYours(f"It is kept, because {listed} of others belong to it. {ASK}")


def _made(record: Model) -> str:
    maker, at = getattr(record, "made_by", None), getattr(record, "made_at", None)
    if maker is None or at is None:
        return "who made this is not known"
    return f"this was made by {maker.get_username()} on {at:%Y-%m-%d}"


def _what_rests_on(record: Model) -> Iterator[tuple[type[Model], Any]]:
    """What would go with a record, and what would lose its link to it."""
    collector = Collector(using=DEFAULT_DB_ALIAS, origin=record)
    collector.collect([record])
    for model, instances in collector.data.items():
        yield model, [one for one in instances if one != record]
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
        # A link from another record is that record's; what has no maker of its own is part of this one.
        return len(rows) if model._meta.auto_created else 0
    return sum(getattr(one, f"{name}_id") != account.pk for one in rows)


def _maker_of(model: type[Model]) -> str | None:
    if issubclass(model, MadeRecord):
        return "made_by"
    return "account" if any(one.name == "account" for one in model._meta.concrete_fields) else None


def _rests_on(record: Model, error: ProtectedError | RestrictedError) -> OthersRestOnIt:
    """The kinds of records that a removal would have orphaned, in words."""
    held = error.protected_objects if isinstance(error, ProtectedError) else error.restricted_objects
    kinds = " and ".join(sorted({str(one._meta.verbose_name_plural) for one in held}))
    return OthersRestOnIt(f"{record} is kept: {kinds} rest on it. Remove those first.")


def _plural(label: str) -> str:
    return str(apps.get_model(label)._meta.verbose_name_plural)
