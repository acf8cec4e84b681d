"""The log of changes and removals of records: who, what, and which fields.

Its lines go to standard error, like those of requests. They hold names of fields and never their values.
"""

from __future__ import annotations

import logging
from collections.abc import Collection, Mapping

from django.db import transaction
from django.db.models import Model

from buildlog.people import current_account

logger = logging.getLogger("buildlog.records")
MOST_LETTERS = 120


def note_change(record: Model, fields: Collection[str]) -> None:
    """Write a line for a record whose fields of these names were changed, once the change is committed."""
    names = sorted(fields)
    if names:
        _write("changed", record, f": {', '.join(names)}")


def note_removal(record: Model, along: Mapping[str, int]) -> None:
    """Write a line for a removed record, and how many of each kind were removed with it, once that is committed."""
    counts = {kind: count for kind, count in sorted(along.items()) if count}
    words = ", ".join(f"{count} {kind}" for kind, count in counts.items())
    _write("removed", record, f", and with it {words}" if words else "")


def note_restored(record: Model, along: int) -> None:
    """Write a line for a record that was restored from the trash with so many others."""
    _write("restored", record, f", and with it {along} others" if along else "")


def _write(act: str, record: Model, ending: str) -> None:
    actors = {"account": current_account.account(), "device": current_account.device()}
    actor = ", ".join(f"{kind} {actor.pk}" for kind, actor in actors.items() if actor is not None)
    # Formatted before the commit: a removed record loses its key.
    name = _one_line(str(record))
    line = f"{actor or 'a command'} {act} {record._meta.verbose_name} {record.pk} ({name}){ending}"
    transaction.on_commit(lambda: logger.info("%s", line), robust=True)


def _one_line(text: str) -> str:
    """Replaces line breaks in a typed name, so that it cannot start a line of its own."""
    return "".join(letter if letter.isprintable() else " " for letter in text)[:MOST_LETTERS]
