"""What a record was before: each change with who, when and from where, and how the last one is undone.

django-reversion keeps the states: one table holds them for records of every kind, as JSON, so that a backup, a copy to
another database and an update take them along as they take any table, and one state holds several records, as a
removal needs it. A table of history for each kind of record, as other libraries make it, would add thirty.

A record as it was made is not kept a second time: its first state is stored when it is first changed. So storing a new
record, which a phone does hundreds of times a day, costs nothing more.
"""

from __future__ import annotations

import copy
from collections.abc import Collection, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import reversion
from django.apps import AppConfig
from django.core.exceptions import ObjectDoesNotExist
from django.db import IntegrityError, connection, transaction
from django.db.models import CASCADE, Field, ForeignKey, ManyToManyField, Model
from django.urls import reverse
from django.utils import timezone
from reversion.errors import RevertError
from reversion.models import Version

from buildlog.people import current_account
from buildlog.quantities.fields import QuantityField
from buildlog.records import change_log, exact_json
from buildlog.records.models import Change, MadeRecord
from calc.quantities import written

LEFT_OUT = frozenset({"made_by", "made_at"})
LONGEST_TEXT = 400
NOTHING = "nothing"


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


class _NothingToKeep(Exception):
    pass


@contextmanager
def changing(record: Model) -> Iterator[Changing]:
    """Keep what a record was and what it became, and write its line in the log of changes.

    Begin with the record as it is stored; name what changed at the end. A kind of record whose history is not kept has
    the line alone. Must be inside the transaction that changes the record.
    """
    change = Changing()
    with _states_kept(record, change) if kind_of(record) else nullcontext():
        yield change
    change_log.note_change(record, change.fields)


@contextmanager
def _states_kept(record: Model, change: Changing) -> Iterator[None]:
    before = copy.copy(record)
    try:
        # Written down now, and stored at the end of the block if this is the record's first change.
        with reversion.create_revision(manage_manually=True, atomic=False):
            reversion.add_to_revision(before)
            yield
            if not change.fields or Version.objects.get_for_object(before).exists():
                raise _NothingToKeep
            reversion.set_date_created(getattr(before, "made_at", None) or timezone.now())
            reversion.set_user(getattr(before, "made_by", None))
            reversion.add_meta(Change, act=Change.Act.MADE)
    except _NothingToKeep:
        pass
    if change.fields:
        _keep(type(record)._base_manager.get(pk=record.pk), Change.Act.CHANGED)


def _keep(record: Model, act: str) -> None:
    with reversion.create_revision(manage_manually=True, atomic=False):
        reversion.set_user(current_account.account())
        reversion.add_meta(Change, act=act, source=current_account.source())
        reversion.add_to_revision(record)


class Difference(NamedTuple):
    label: str
    before: str
    after: str


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
    earlier: dict[str, Any] | None = None
    names = _Names()
    for version in versions:
        state = version.field_dict
        differences = () if earlier is None else tuple(_differences(record, earlier, state, names, unit_system))
        user = version.revision.user
        events.append(
            Event(
                version.revision.change,
                version.revision.date_created,
                user.get_username() if user is not None else version.revision.comment,
                differences,
            )
        )
        earlier = state
    return events[::-1]


class _Names:
    """What linked records are called, each read once."""

    def __init__(self) -> None:
        self._names: dict[tuple[Any, Any], str] = {}

    def of(self, model: Any, key: Any) -> str:
        if (model, key) not in self._names:
            linked = model._base_manager.filter(pk=key).first()
            self._names[model, key] = str(linked) if linked is not None else "a record that was deleted"
        return self._names[model, key]


def _differences(
    record: Model, before: dict[str, Any], after: dict[str, Any], names: _Names, unit_system: str
) -> Iterator[Difference]:
    for column in (*record._meta.concrete_fields, *record._meta.local_many_to_many):
        if column.name in LEFT_OUT or column.primary_key:
            continue
        old, new = before.get(column.attname), after.get(column.attname)
        if isinstance(column, ManyToManyField):
            old, new = sorted(map(str, old or ())), sorted(map(str, new or ()))
        if old != new:
            label = str(column.verbose_name)
            label = label[:1].upper() + label[1:]
            yield Difference(label, *(_text(column, value, names, unit_system) for value in (old, new)))


def _text(column: Field[Any, Any] | ManyToManyField[Any, Any], value: Any, names: _Names, unit_system: str) -> str:
    """A stored value as a page writes it."""
    if value in (None, "", [], {}):
        return NOTHING
    if isinstance(column, QuantityField):
        return written(value, column.kind, unit_system)
    if isinstance(column, ManyToManyField):
        return ", ".join(names.of(column.related_model, key) for key in value)
    if isinstance(column, ForeignKey):
        return names.of(column.related_model, value)
    if column.choices:
        return str(dict(column.flatchoices).get(value, value))
    if isinstance(value, bool):
        return "yes" if value else "no"
    if hasattr(value, "tzinfo"):
        return f"{timezone.localtime(value):%Y-%m-%d %H:%M:%S}"
    if isinstance(value, dict):
        value = ", ".join(f"{str(key).replace('_', ' ')} {item}" for key, item in value.items() if item is not None)
    return str(value)[:LONGEST_TEXT]


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
                raise NotUndone("It was changed since in another way, so the last change cannot be undone by itself.")
            if newest.field_dict == earlier.field_dict:
                raise NotUndone(
                    "What was changed last is not kept here, such as the marks of a gate: enter them as they were."
                )
            earlier.revert()
            connection.check_constraints()
            again = type(record)._base_manager.get(pk=record.pk)
            _keep(again, Change.Act.UNDONE)
            changed = [
                name for name, value in newest.field_dict.items() if earlier.field_dict.get(name, value) != value
            ]
            change_log.note_change(again, changed)
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
