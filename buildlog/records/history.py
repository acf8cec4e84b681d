"""What a record was before: each change with who, when and from where, and how the last one is undone.

django-reversion keeps the states: one table holds them for records of every kind, as JSON, so that a backup, a copy to
another database and an update take them along as they take any table, and one state holds several records, as a
removal needs it. A table of history for each kind of record, as other libraries make it, would add thirty.

A record's parts, such as the marks of a gate, are kept in its state: they are replaced with it, and go back with it.

A record as it was made is not kept a second time: its first state is stored when it is first changed. So storing a new
record, which a phone does hundreds of times a day, costs nothing more.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import reversion
from django.apps import AppConfig
from django.core.exceptions import ObjectDoesNotExist
from django.db import IntegrityError, connection, transaction
from django.db.models import CASCADE, ForeignKey, Model
from django.urls import reverse
from django.utils import timezone
from reversion.errors import RevertError
from reversion.models import Version

from buildlog.people import current_account
from buildlog.records import change_log, exact_json, kept_states
from buildlog.records.history_words import Difference, Words
from buildlog.records.models import Change, MadeRecord

CHANGED_SINCE = "It was changed since in another way, so the last change cannot be undone by itself."


def register_all(app: AppConfig) -> None:
    """Keep the history of an app's records: those that know their maker, and what belongs to one of them alone.

    What opens the log to somebody, such as a read-only link, keeps none: the restored key of a device would work again.
    """
    for model in app.get_models():
        if (issubclass(model, MadeRecord) or getattr(model, "keeps_history", False)) and not (
            reversion.is_registered(model)
        ):
            reversion.register(model, format=exact_json.FORMAT)


def kind_of(record: Model) -> str:
    """How the address of its history calls a record's kind; "" for a record that is not stored, or keeps none."""
    is_kept = not record._state.adding and reversion.is_registered(type(record))
    return str(record._meta.model_name) if is_kept else ""


def page_of(record: Model) -> str:
    """The address of the page that shows a record: its own, or that of the record which it is part of."""
    if hasattr(record, "get_absolute_url"):
        return str(record.get_absolute_url())
    owners = (
        getattr(record, column.name)
        for column in record._meta.concrete_fields
        if isinstance(column, ForeignKey) and column.remote_field.on_delete is CASCADE
    )
    return next((page_of(owner) for owner in owners if owner is not None), reverse("home"))


@dataclass
class Changing:
    """A record that is being changed; `fields` says at the end what of it was."""

    fields: Collection[str] = field(default_factory=frozenset)


@contextmanager
def changing(record: Model) -> Iterator[Changing]:
    """Keep what a record was and what it became, and write its line in the log of changes.

    Begin with the record as it is stored; name what changed at the end. A kind of record whose history is not kept has
    the line alone. Must be inside the transaction that changes the record.
    """
    change = Changing()
    if kind_of(record):
        before = kept_states.state_of(record)
        yield change
        if change.fields:
            _keep_change(type(record)._base_manager.get(pk=record.pk), before)
    else:
        yield change
    change_log.note_change(record, change.fields)


def _keep_change(record: Model, before: str) -> None:
    """Keep the state of a record that was just changed; and that of before, where it is not kept yet.

    Not kept yet is the state of a record that was never changed, and one left by something that keeps no history.
    Without the latter, undoing this change would take back the other one with it.
    """
    after = kept_states.state_of(record)
    if after == before:
        return
    newest = kept_states.newest_of(record)
    if newest is None:
        made_at = getattr(record, "made_at", None) or timezone.now()
        kept_states.keep(record, before, Change.Act.MADE, at=made_at, by=getattr(record, "made_by", None))
    elif not kept_states.says(newest, before):
        kept_states.keep(record, before, Change.Act.STOOD, at=timezone.now())
    _keep(record, after, Change.Act.CHANGED)


def _keep(record: Model, state: str, act: str) -> None:
    account, source = current_account.account(), current_account.source()
    kept_states.keep(record, state, act, at=timezone.now(), by=account, source=source)


class Event(NamedTuple):
    """One change of a record, as its page shows it.

    `by` is a name, or words where the change came with an archive: nobody here vouches for its name.
    """

    change: Change
    at: Any
    by: str
    differences: tuple[Difference, ...]


def events_of(record: Model, unit_system: str) -> list[Event]:
    """The changes of a record, the newest first."""
    versions = list(
        Version.objects.get_for_object(record)
        .filter(revision__change__isnull=False)
        .select_related("revision__change", "revision__user")
        .order_by("pk")
    )
    events = []
    earlier: Version | None = None
    words = Words(record, unit_system)
    for version in versions:
        differences = () if earlier is None else tuple(words.differences(earlier, version))
        user = version.revision.user
        events.append(
            Event(
                version.revision.change,
                version.revision.date_created,
                user.get_username() if user is not None else version.revision.comment,
                differences,
            )
        )
        earlier = version
    return events[::-1]


def last_change(record: Model) -> Change | None:
    """The last change of a record that is kept, with its revision; None where none is."""
    version = (
        Version.objects.get_for_object(record)
        .filter(revision__change__isnull=False)
        .select_related("revision__change")
        .order_by("-pk")
        .first()
    )
    change: Change | None = None if version is None else version.revision.change
    return change


class NotUndone(Exception):
    """Nothing was changed; the message is a sentence for people."""


def undo(record: Model) -> None:
    """Give a record the state that it had before its last change. Undone again, the change is back.

    Raises NotUndone where there is no earlier state, where the record was changed since by something that keeps no
    history, or where the earlier state cannot be stored any more.
    """
    try:
        with transaction.atomic():
            stored = type(record)._base_manager.select_for_update().get(pk=record.pk)
            versions = list(Version.objects.get_for_object(stored).select_related("revision__change")[:2])
            if len(versions) < 2:
                raise NotUndone("Nothing is kept of how it was before.")
            newest, earlier = versions
            if _differs(stored, newest.field_dict):
                raise NotUndone(CHANGED_SINCE)
            same_columns = newest.field_dict == earlier.field_dict
            if same_columns and not kept_states.changed_parts(type(stored), earlier, newest):
                raise NotUndone("An earlier version of this program kept nothing of what was changed last.")
            before = kept_states.state_of(stored)
            if not kept_states.says(newest, before):
                # A part with a key of its own was changed by itself. Undone again, this must not take that back.
                kept_states.keep(stored, before, Change.Act.STOOD, at=timezone.now())
            earlier.revert()
            parts = kept_states.put_parts_back(stored, newest, earlier)
            connection.check_constraints()
            again = type(record)._base_manager.get(pk=record.pk)
            _keep(again, kept_states.state_of(again), Change.Act.UNDONE)
            changed = [
                name for name, value in newest.field_dict.items() if earlier.field_dict.get(name, value) != value
            ]
            change_log.note_change(again, [*changed, *parts])
    except kept_states.ChangedSince:
        raise NotUndone(CHANGED_SINCE) from None
    except (IntegrityError, RevertError, ObjectDoesNotExist):
        raise NotUndone(
            "The earlier state cannot be stored any more: something it names was deleted, or another record has "
            "taken its place."
        ) from None


def _differs(stored: Model, state: dict[str, Any]) -> bool:
    return any(
        getattr(stored, column.attname) != state[column.attname]
        for column in stored._meta.concrete_fields
        if column.attname in state
    )
