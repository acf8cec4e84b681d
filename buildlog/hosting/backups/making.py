"""Making a backup while the server runs."""

from __future__ import annotations

import errno
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from django.conf import settings
from django.core.files.storage import Storage, default_storage
from django.db import Error

from buildlog.hosting.backups import in_use, retention, server
from buildlog.hosting.backups import status as standing
from buildlog.hosting.backups.database import LIVE_NAME, Database, snapshot
from buildlog.hosting.backups.package import DATABASE, Manifest, NotABackup, Writer, belongs
from buildlog.hosting.backups.restored_settings import environment_told, settings_files
from buildlog.hosting.data_copy import CannotCopy
from buildlog.hosting.version import VERSION
from buildlog.storage.durable_files import InUse, chown_like_parent, locked
from buildlog.storage.stored_files import is_object_store_error

LOCK = "backup.lock"
OF_THE_DISK = ("lost+found",)
"""Folders that a file system puts beside whatever it holds."""
EXPECTED = (OSError, sqlite3.Error, NotABackup, CannotCopy, Error)


class BackupFailed(RuntimeError):
    """No backup was made; the message is a sentence for people."""


@dataclass(frozen=True)
class Made:
    path: Path
    manifest: Manifest
    seconds: float
    left_out: tuple[str, ...]
    """What lies among the uploads under a name that no upload has."""
    not_removed: tuple[str, ...] = ()
    """Old backups that should go and do not, each with the reason."""


def make_backup(
    data: Path, target: Path | None = None, *, before_update: bool = False, now: datetime | None = None
) -> Made:
    """Make a backup of the installation in `data`: named `target`, or in the folder of backups by a name of our own.

    There, old ones are removed by the rule of `keeping` once the new one is there. What became
    of it is noted in the data folder. Raises BackupFailed with a sentence.
    """
    moment = now or datetime.now(UTC)
    try:
        with _no_other(data):
            made = _make(data, target, before_update, moment)
            missing = len(made.manifest.missing_files)
            standing.note_good(data, made.path, missing, moment, elsewhere=target is not None)
            return made if target else replace(made, not_removed=tuple(_remove_old(made.path, moment)))
    except BackupFailed:
        raise
    except Exception as error:
        if not isinstance(error, EXPECTED) and not is_object_store_error(error):
            raise
        sentence = in_a_sentence(error)
        standing.note_trouble(data, sentence, moment)
        raise BackupFailed(sentence) from error


def _remove_old(made: Path, moment: datetime) -> Iterator[str]:
    """Remove what no rule keeps; gives what could not be removed, which harms no other backup."""
    for old in retention.to_remove(retention.backups_in(made.parent), moment):
        try:
            if old.path != made:
                old.path.unlink(missing_ok=True)
        except OSError as error:
            yield in_a_sentence(error)


def dump_before_update(data: Path, moment: datetime) -> Path:
    """What a backup before an update is where a server holds the records. Raises BackupFailed with a sentence."""
    try:
        with _no_other(data):
            target = name_before_update(moment)
            server.dump(target)
    except (OSError, server.NoTool) as error:
        raise BackupFailed(in_a_sentence(error)) from error
    return target


@contextmanager
def _no_other(data: Path) -> Iterator[None]:
    try:
        with locked(data / LOCK):
            in_use.refuse_half_restored(data)
            yield
    except in_use.NotNow as error:
        raise BackupFailed(str(error)) from None
    except InUse:
        raise BackupFailed("Another backup or a restore is going on. Wait until it has ended.") from None


def name_before_update(moment: datetime) -> Path:
    """The name that a backup before an update gets, made at this moment. Raises BackupFailed with a sentence."""
    suffix = server.DUMP_SUFFIX if server.holds_the_records() else ".zip"
    try:
        return retention.free_name(folder(), moment, before_update=True, suffix=suffix)
    except OSError as error:
        raise BackupFailed(in_a_sentence(error)) from error


def folder() -> Path:
    """The folder of backups, made where it is not there yet."""
    place: Path = settings.BACKUP_DIR
    place.mkdir(mode=0o700, parents=True, exist_ok=True)
    chown_like_parent(place)
    return place


def in_a_sentence(error: Exception) -> str:
    if isinstance(error, OSError) and error.strerror:
        where = f" ({error.filename})" if error.filename else ""
        return f"{error.strerror}{where}."
    return f"{str(error).rstrip('.')}."


def _make(data: Path, target: Path | None, before_update: bool, moment: datetime) -> Made:
    began = time.perf_counter()
    if target is None:
        place = folder()
        for stale in place.glob(f".*{retention.installation()}*"):
            # Whoever wrote it no longer holds the lock: it was killed, or the power went.
            shutil.rmtree(stale) if stale.is_dir() else stale.unlink(missing_ok=True)
        target = retention.free_name(place, moment, before_update=before_update)
    _refuse_without_room(data, target)
    beside_it = tempfile.TemporaryDirectory(prefix=f".{target.name}.", dir=target.parent)
    with beside_it as beside, Writer(target) as writer:
        # Uploads never change. Taken before and after the database, those of every record in it are there,
        # also of records that came or went meanwhile.
        left_out: set[str] = set()
        names = _add_uploads(writer, default_storage, set(), left_out)
        database = Database(Path(beside) / DATABASE)
        if server.holds_the_records():
            server.copy_into_a_file(database.path)
        else:
            snapshot(data / LIVE_NAME, database.path)
        database.prove_whole()
        names |= _add_uploads(writer, default_storage, names, left_out)
        with database.path.open("rb") as file:
            writer.add(DATABASE, file)
        for path in settings_files(data):
            with path.open("rb") as file:
                writer.add(f"settings/{path.name}", file)
        manifest = writer.finish(
            made_at=moment.isoformat(timespec="seconds"),
            version=VERSION,
            migrations=database.migrations(),
            counts=database.counts(),
            missing_files=tuple(sorted(database.file_names() - names)),
            environment=environment_told(),
        )
    return Made(target, manifest, time.perf_counter() - began, tuple(sorted(left_out)))


def _refuse_without_room(data: Path, target: Path) -> None:
    """A disk that a backup fills to its end has no room for the next record. Raises OSError."""
    wanted = room_needed(data)
    free = shutil.disk_usage(target.parent).free
    if free < wanted:
        raise OSError(
            errno.ENOSPC,
            f"A backup needs about {wanted / 1e6:.0f} MB, and {free / 1e6:.0f} MB are free",
            str(target.parent),
        )


def room_needed(data: Path) -> int:
    """About how many bytes a backup takes while it is made: as the last one, and a copy of the database beside."""
    live = data / LIVE_NAME
    return standing.read(data).good_size_bytes + (live.stat().st_size if live.is_file() else 0)


def _add_uploads(writer: Writer, storage: Storage, known: set[str], left_out: set[str]) -> set[str]:
    added = set()
    for name in uploads(storage):
        if name in known:
            continue
        if not belongs(f"media/{name}"):
            # Somebody else's file; one that a record spoke of is told as missing besides.
            left_out.add(ascii(name))
            continue
        try:
            with storage.open(name, "rb") as file:
                writer.add(f"media/{name}", file)
        except FileNotFoundError:
            continue  # Removed since it was listed.
        added.add(name)
    return added


def uploads(storage: Storage, folder: str = "") -> Iterator[str]:
    """Names of all stored uploads; those still being written bear a dot in front, and are left out, as are
    folders that a desktop or a file system keeps for itself."""
    try:
        folders, files = storage.listdir(folder)
    except FileNotFoundError:
        return
    for name in sorted(files):
        if name and not name.startswith("."):
            yield f"{folder}/{name}" if folder else name
    for name in sorted(folders):
        if not name or name.startswith(".") or name in OF_THE_DISK:
            continue
        yield from uploads(storage, f"{folder}/{name}" if folder else name)
