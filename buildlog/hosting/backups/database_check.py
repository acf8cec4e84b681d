"""Whether SQLite's own quick check finds the database whole: after each start, and each day.

The thorough check (`Database.prove_whole`) comes with each backup. A database server looks after its own files.
"""

from __future__ import annotations

import contextlib
import sqlite3
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from django.conf import settings
from django.db import connection

from buildlog.hosting.backups import retention
from buildlog.hosting.backups.database import LIVE_NAME
from buildlog.hosting.backups.notes import read_note, write_note

NOTE = ".database-check.json"
EVERY = timedelta(days=1)


@dataclass(frozen=True)
class Looked:
    """The note in the data folder; the time is in UTC, and `trouble` is what SQLite says, or ""."""

    looked_at: datetime | None = None
    trouble: str = ""


def read(data: Path) -> Looked:
    try:
        return Looked(**read_note(data / NOTE, ("looked_at",)))
    except (OSError, ValueError, TypeError):
        return Looked()


def is_due(data: Path, started_at: datetime, now: datetime) -> bool:
    """Once after each start, then each day. A time in the future was noted with a wrong clock."""
    looked_at = read(data).looked_at
    return looked_at is None or looked_at < started_at or not timedelta(0) <= now - looked_at < EVERY


def look(data: Path, now: datetime | None = None) -> Looked:
    """Read the whole database, while others use it, and note what SQLite says of it."""
    try:
        address = f"{(data / LIVE_NAME).absolute().as_uri()}?mode=ro"
        with contextlib.closing(sqlite3.connect(address, uri=True, timeout=20)) as opened:
            messages = [row[0] for row in opened.execute("PRAGMA quick_check(3)")]
    except sqlite3.OperationalError:
        return read(data)  # busy, or not to be opened just now: that says nothing of what is in it
    except sqlite3.DatabaseError as error:
        messages = [str(error)]
    looked = Looked(now or datetime.now(UTC), "" if messages == ["ok"] else " ".join("; ".join(messages).split()))
    with contextlib.suppress(OSError):
        write_note(data / NOTE, asdict(looked))
    return looked


def warning(data: Path) -> str:
    """What is wrong and what to do, for the owner; "" while all is well."""
    looked = read(data)
    if not looked.trouble or connection.vendor != "sqlite":
        return ""
    newest = next((backup.path for backup in retention.backups_in(settings.BACKUP_DIR) if backup.is_own), None)
    mend = (
        f"Stop the server, copy the data folder to another disk, then: manage.py restore {newest}"
        if newest is not None
        else "Stop the server and copy the data folder to another disk; there is no backup to restore."
    )
    return f"The database is damaged on the disk, as SQLite finds ({looked.trouble}). {mend}"
