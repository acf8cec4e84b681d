"""Storing the sessions of an old notebook, all or none, and taking them back."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from django.db import transaction
from django.db.models import Model
from django.utils import timezone

from buildlog.people.models import Account
from buildlog.records import change_log, removal
from sessions.evidence.doubts import OpenDoubt, doubts_of_machine
from sessions.evidence.reader import Evidence
from sessions.outings.models import Session, Venue
from sessions.sharing.models import NotebookImport
from sessions.sharing.notebook_rows import Reading, Wanted, read_rows

_SESSION = "session"
_NOT_CONTENT = {"made_by", "made_at"}


class NotUndone(Exception):
    """Something that the import made was changed since. The message is a sentence for people."""


@dataclass
class Preview:
    """What storing a notebook would do: sessions by their row, problems, remarks, and doubts by row."""

    reading: Reading
    doubts: list[tuple[int, OpenDoubt]] = field(default_factory=list)

    @property
    def may_be_stored(self) -> bool:
        return bool(self.reading.sessions) and not self.reading.problems


def preview(cells: Sequence[Sequence[str]], wanted: Wanted, system: str) -> Preview:
    """Read every row, and doubt what can hardly be; the sessions are stored for that, and taken back at once."""
    seen = Preview(read_rows(cells, wanted))
    if not seen.reading.sessions:
        return seen
    with transaction.atomic():
        _store(seen.reading)
        rows = {session.pk: number for number, session in seen.reading.sessions}
        evidence = Evidence(Session.objects.filter(revision__vehicle=wanted.vehicle))
        for open_doubt in doubts_of_machine(wanted.vehicle, evidence).listed_of_keys(rows.keys(), system):
            if open_doubt.subject == _SESSION:
                seen.doubts.append((rows[open_doubt.record], open_doubt))
        transaction.set_rollback(True)
    return seen


def store(notebook: NotebookImport, wanted: Wanted) -> Preview | None:
    """Store every row. Returns what keeps it from being stored, if anything does; then nothing is stored."""
    with transaction.atomic():
        # Locked, so that two presses of the button store it once.
        waiting = NotebookImport.objects.select_for_update().filter(pk=notebook.pk, state=NotebookImport.State.WAITING)
        if not waiting.exists():
            return None
        seen = Preview(read_rows(notebook.cells, wanted))
        if not seen.may_be_stored:
            return seen
        _store(seen.reading)
        made: list[Model] = [session for _, session in seen.reading.sessions]
        made += seen.reading.venues.values()
        notebook.made_keys = {f"{record._meta.model_name}:{record.pk}": fingerprint(record) for record in made}
        notebook.state, notebook.stored_at = NotebookImport.State.STORED, timezone.now()
        notebook.save()
        change_log.note_change(notebook, ["state"])
    return None


def _store(reading: Reading) -> None:
    for venue in reading.venues.values():
        venue.save(force_insert=True)
    for _, session in reading.sessions:
        session.venue = session.venue
        session.save(force_insert=True)


def undo(notebook: NotebookImport, account: Account) -> int:
    """Remove what an import made, and return how many sessions that were.

    Raises NotUndone where a session was changed or got passes, readings, logs, failures or photos since: then nothing
    is removed. A venue stays where it is used by others.
    """
    with transaction.atomic():
        stored = NotebookImport.objects.select_for_update().get(pk=notebook.pk)
        if stored.state != NotebookImport.State.STORED:
            return 0
        sessions = _made(stored, Session)
        for session in sessions:
            _check_unchanged(stored, session)
        for session in sessions:
            removal.remove(session, account)
        for venue in _made(stored, Venue):
            is_used = venue.sessions.exists() or venue.gates.exists()
            if not is_used and stored.made_keys[f"venue:{venue.pk}"] == fingerprint(venue):
                removal.remove(venue, account)
        stored.state = NotebookImport.State.UNDONE
        stored.save(update_fields=["state"])
        return len(sessions)


def _made(notebook: NotebookImport, model: type[Any]) -> list[Any]:
    """What it made of one kind and is still there; what somebody removed already needs no removing."""
    kind = model._meta.model_name
    keys = [key for name, _, key in (entry.partition(":") for entry in notebook.made_keys) if name == kind]
    return list(model.objects.filter(pk__in=keys))


def _check_unchanged(notebook: NotebookImport, session: Session) -> None:
    at = f"{timezone.localtime(session.started_at):%Y-%m-%d %H:%M}"
    if notebook.made_keys[f"session:{session.pk}"] != fingerprint(session):
        raise NotUndone(f"The session of {at} was changed since. Nothing is removed.")
    relation: Any  # the stubs allow for models that are not there yet
    for relation in session._meta.related_objects:
        if relation.related_model._default_manager.filter(**{relation.field.name: session.pk}).exists():
            kind = relation.related_model._meta.verbose_name_plural
            raise NotUndone(f"The session of {at} has {kind} by now. Nothing is removed.")


def fingerprint(record: Model) -> str:
    """A hash of a record's own content, without who made it."""
    values = {
        column.name: str(column.value_from_object(record))
        for column in record._meta.concrete_fields
        if column.name not in _NOT_CONTENT
    }
    return hashlib.sha256(json.dumps(values, sort_keys=True).encode()).hexdigest()
