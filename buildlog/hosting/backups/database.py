"""The database inside a backup: a SQLite file, read without Django's models, whatever version made it."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path
from typing import Any

from django.apps import apps
from django.db.models import FileField

from buildlog.hosting.backups.package import NotABackup

LIVE_NAME = "buildlog.sqlite3"
"""The database's file in the data folder."""


def snapshot(live: Path, target: Path) -> None:
    """Copy a database that others are writing to, as it is at one moment.

    Raises sqlite3.Error where it cannot be read, OSError where there is none.
    """
    if not live.is_file():
        raise FileNotFoundError(f"There is no database at {live}.")
    source, into = sqlite3.connect(f"{live.absolute().as_uri()}?mode=ro", uri=True, timeout=20), sqlite3.connect(target)
    with contextlib.closing(source), contextlib.closing(into):
        # All pages in one step are one read transaction: in WAL mode nobody waits for it.
        source.backup(into, pages=-1)
        into.execute("PRAGMA journal_mode=DELETE")


class Database:
    """A database file that nobody writes to."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def _rows(self, query: str) -> list[tuple[Any, ...]]:
        with contextlib.closing(sqlite3.connect(f"{self.path.absolute().as_uri()}?mode=ro", uri=True)) as connection:
            return connection.execute(query).fetchall()

    def prove_whole(self) -> None:
        """Raises NotABackup when SQLite's own checks find anything amiss."""
        try:
            said = [row[0] for row in self._rows("PRAGMA integrity_check(3)")]
            dangling = self._rows("PRAGMA foreign_key_check")
        except sqlite3.Error as error:
            raise NotABackup(f"Its database cannot be opened: {error}.") from None
        if said != ["ok"]:
            raise NotABackup(f"Its database is damaged: {'; '.join(said)}.")
        if dangling:
            raise NotABackup(f"In its database {len(dangling)} records rest on others that are not there.")

    def tables(self) -> list[str]:
        found = self._rows("SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")
        return sorted(row[0] for row in found)

    def counts(self) -> dict[str, int]:
        """How many rows each table has."""
        return {name: self._rows(f'SELECT count(*) FROM "{name}"')[0][0] for name in self.tables()}  # noqa: S608

    def migrations(self) -> tuple[str, ...]:
        """The steps made in it, as `app.name`."""
        if "django_migrations" not in self.tables():
            return ()
        return tuple(sorted(f"{app}.{name}" for app, name in self._rows("SELECT app, name FROM django_migrations")))

    def file_names(self) -> set[str]:
        """Names of the uploads its records speak of, so far as this program knows their tables."""
        found: set[str] = set()
        for model in apps.get_models():
            table = model._meta.db_table
            columns = {row[1] for row in self._rows(f'PRAGMA table_info("{table}")')}
            for field in model._meta.concrete_fields:
                if isinstance(field, FileField) and field.column in columns:
                    rows = self._rows(f'SELECT "{field.column}" FROM "{table}"')  # noqa: S608
                    found |= {name for (name,) in rows if name}
        return found
