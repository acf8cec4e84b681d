"""Restoring a backup: it is checked and migrated in a folder beside the running data, and only then swapped in."""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from django.conf import settings
from django.core.files.storage import FileSystemStorage, default_storage
from django.db import Error

from buildlog.hosting import environment
from buildlog.hosting.backups import encryption, in_use, making, package, restored_settings, server
from buildlog.hosting.backups.database import LIVE_NAME, Database
from buildlog.hosting.backups.package import DATABASE, Manifest, NotABackup
from buildlog.hosting.backups.swap import RestoreFailed, finish_unfinished, plan_swap
from buildlog.hosting.data_copy import CannotCopy
from buildlog.hosting.file_copy import CannotCopyFile
from buildlog.hosting.version import newer_than_known
from buildlog.storage.durable_files import CannotLock, InUse, chown_like_parent, locked, sync_folder


@dataclass(frozen=True)
class Restored:
    manifest: Manifest
    replaced: Path | None
    record_count: int
    brought_up_to_date: bool
    places_left: tuple[str, ...] = ()
    """Settings of the places of the backup's installation, which were not restored."""
    problems: tuple[str, ...] = ()
    """What this version refuses in the restored settings."""


def check(file: Path) -> Manifest:
    """Check a whole backup, except for the content of its database. Raises NotABackup with a sentence."""
    manifest = package.read(file)
    newer = newer_than_known(manifest.migrations)
    if newer:
        raise NotABackup(
            f"The backup is from a newer version of the program (it knows {newer[0]}). Update the program, "
            "then restore."
        )
    return manifest


def restore(file: Path, data: Path, *, secret_key: str = "", now: datetime | None = None) -> Restored:
    """Replace the content of the data folder by a backup; the old content is kept in a folder beside it.

    Where the backup is encrypted, `secret_key` or this installation's own key opens it.

    Where a server holds the records, they are copied into its database, which must be empty; settings and key stay
    those of this host. Files are copied into the store in use. Raises NotABackup or RestoreFailed with a sentence,
    which says so where the data have changed.
    """
    with encryption.readable(file, data, secret_key) as plain:
        return _restore(plain, data, now)


def _restore(file: Path, data: Path, now: datetime | None) -> Restored:
    manifest = check(file)
    stamp = (now or datetime.now(UTC)).strftime("%Y-%m-%dT%H%M%SZ")
    with _exclusive_lock(data):
        finish_unfinished(data)
        for stale in data.glob(".restoring-*"):
            shutil.rmtree(stale, ignore_errors=True)  # Left by a restore that was killed before it swapped.
        refuse_without_room(manifest, data)
        staged, replaced = data / f".restoring-{secrets.token_hex(4)}", _free_name(data / f"replaced-{stamp}")
        try:
            staged.mkdir(mode=0o700)
            was_older = prepare(file, manifest, staged)
            record_count = sum(Database(staged / LIVE_NAME).counts().values())
            if server.holds_the_records():
                server.bring_in(staged)
                shutil.rmtree(staged, ignore_errors=True)
                return Restored(manifest, None, record_count, was_older)
            places = _bring_settings(staged, data)
            if not isinstance(default_storage, FileSystemStorage):
                server.bring_files_in(staged)
                shutil.rmtree(staged / "media")
            replaced.mkdir(mode=0o700)
            for path in (staged, *staged.rglob("*"), replaced):
                chown_like_parent(path, data)
            plan_swap(data, staged, replaced)
        except BaseException as error:
            (data / in_use.UNFINISHED).unlink(missing_ok=True)
            for folder in (staged, replaced):
                shutil.rmtree(folder, ignore_errors=True)
            if isinstance(error, OSError | sqlite3.Error | Error | CannotCopy | CannotCopyFile):
                raise RestoreFailed(f"{making.in_a_sentence(error)} Your data are as they were.") from error
            raise
        finish_unfinished(data)
    return Restored(manifest, replaced, record_count, was_older, tuple(places), tuple(restored_settings.problems(data)))


def refuse_without_room(manifest: Manifest, data: Path) -> None:
    """Raises RestoreFailed with a sentence."""
    free = shutil.disk_usage(data).free
    if manifest.unpacked_bytes * 1.2 > free:
        raise RestoreFailed(
            f"The backup unpacks to {manifest.unpacked_bytes / 1e6:.0f} MB, and the disk of {data} has "
            f"{free / 1e6:.0f} MB left. Make room, then restore."
        )


def _free_name(path: Path) -> Path:
    number, candidate = 2, path
    while candidate.exists():
        candidate, number = path.with_name(f"{path.name}-{number}"), number + 1
    return candidate


@contextlib.contextmanager
def _exclusive_lock(data: Path) -> Iterator[None]:
    try:
        with locked(data / making.LOCK), in_use.exclusive_lock(data):
            yield
    except in_use.NotNow as error:
        raise RestoreFailed(f"{error} Your data are as they were.") from None
    except CannotLock as error:
        raise RestoreFailed(f"{error.strerror}. Your data are as they were.") from None
    except InUse:
        raise RestoreFailed(
            "A backup or another restore is going on. Wait until it has ended. Your data are as they were."
        ) from None


def prepare(file: Path, manifest: Manifest, staged: Path) -> bool:
    """Unpack beside, check, bring up to date, check again. True if it came from an older version."""
    package.unpack(file, manifest, staged)
    os.rename(staged / DATABASE, staged / LIVE_NAME)
    database = Database(staged / LIVE_NAME)
    database.prove_whole()
    if database.migrations() != manifest.migrations or database.counts() != manifest.counts:
        raise NotABackup("Its database is not the one the backup's list describes.")
    (staged / "media").mkdir(mode=0o700, exist_ok=True)
    bring_up_to_date(staged)
    with contextlib.closing(sqlite3.connect(database.path)) as connection:
        # Merge the WAL into the one file: a swap of the file alone must not lose a part of it.
        connection.execute("PRAGMA journal_mode=DELETE")
    database.prove_whole()
    for path in (database.path, staged / "media", staged):
        sync_folder(path)
    return database.migrations() != manifest.migrations


def _bring_settings(staged: Path, data: Path) -> list[str]:
    """Put the backup's settings beside its database, with the settings of places of this installation.

    Returns the names of the backup's settings that were replaced for that reason.
    """
    # The migrations ran in this folder, and made a key in it.
    (staged / "secret_key").unlink(missing_ok=True)
    for path in (staged / "settings").glob("*"):
        os.rename(path, staged / path.name)
    shutil.rmtree(staged / "settings", ignore_errors=True)
    restored = staged / environment.FILE
    places = restored_settings.keep_own_places(restored, data / environment.FILE) if restored.exists() else []
    sync_folder(staged)
    return places


def bring_up_to_date(folder: Path) -> None:
    """Run the migrations on the database in a folder that nobody uses yet.

    A process of its own has the settings of that folder, and cannot reach the running data.
    """
    # What checks say of settings is said by the server's start; here they took a third of the time.
    # An empty DATABASE_URL overrides the address of this installation's own server.
    environ = {**os.environ, "DATABASE_URL": "", "BUILDLOG_DATA_DIR": str(folder)}
    environ["DJANGO_SETTINGS_MODULE"] = "buildlog.config.settings"
    command = [sys.executable, str(settings.PROJECT / "manage.py"), "migrate", "--noinput", "--skip-checks", "-v0"]
    done = subprocess.run(command, env=environ, cwd=settings.PROJECT, capture_output=True, text=True)
    if done.returncode:
        last = (done.stderr.strip().splitlines() or ["no reason given"])[-1]
        raise RestoreFailed(f"Its database cannot be brought up to this version: {last}. Your data are as they were.")


def finish(data: Path) -> bool:
    """Finish a restore that was cut off. True if there was one. Raises RestoreFailed."""
    with _exclusive_lock(data):
        return finish_unfinished(data)
