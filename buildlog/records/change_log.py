"""What the server writes down of each change and each removal of a record: who, what, and which fields.

Lines on standard error, like those of requests. They hold names of fields and no values of them.
"""

from __future__ import annotations

import logging
from collections.abc import Collection, Mapping
from typing import Any

from django.db import transaction
from django.db.models import Model

from buildlog.people import current_account

logger = logging.getLogger("buildlog.records")
MOST_LETTERS = 120


def note_change(record: Model, fields: Collection[str]) -> None:
    """Write a line for a record whose fields of these names were changed, once the change is certain."""
    names = sorted(fields)
    if names:
        _write("changed", record, f": {', '.join(names)}", fields=names)


def note_removal(record: Model, along: Mapping[str, int]) -> None:
    """Write a line for a removed record, and how many of each kind went with it, once that is certain."""
    counts = {kind: count for kind, count in sorted(along.items()) if count}
    words = ", ".join(f"{count} {kind}" for kind, count in counts.items())
    _write("removed", record, f", and with it {words}" if words else "", along=counts)


def _write(act: str, record: Model, ending: str, **more: Any) -> None:
    account, device = current_account.account(), current_account.device()
    data = {
        "account": getattr(account, "pk", None),
        "device": getattr(device, "pk", None),
        "act": act,
        "kind": str(record._meta.verbose_name),
        # Kept as text: a removed record loses its key.
        "key": str(record.pk),
        "name": _one_line(str(record)),
        **more,
    }
    who = [f"{what} {data[what]}" for what in ("account", "device") if data[what] is not None]
    words = f"{', '.join(who) or 'a command'} {act} {data['kind']} {data['key']} ({data['name']}){ending}"
    # `told` is what the form "json" writes beside the words.
    transaction.on_commit(lambda: logger.info("%s", words, extra={"told": data}), robust=True)


def _one_line(text: str) -> str:
    """A name somebody typed cannot begin a line of its own."""
    return "".join(letter if letter.isprintable() else " " for letter in text)[:MOST_LETTERS]
