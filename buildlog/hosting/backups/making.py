"""Making a backup while the server runs."""

from __future__ import annotations

import errno
import secrets
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

from buildlog.hosting.backups import encryption, in_use, retention, rot, server, status
from buildlog.hosting.backups.database import LIVE_NAME, Database, snapshot
from buildlog.hosting.backups.package import DATABASE, Manifest, NotABackup, Writer, is_part_name
from buildlog.hosting.backups.restored_settings import environment_settings, settings_files
from buildlog.hosting.data_copy import CannotCopy
from buildlog.hosting.version import VERSION
from buildlog.storage.durable_files import InUse, chown_like_parent, locked
from buildlog.storage.stored_files import is_object_store_error

LOCK = "backup.lock"
FILE_SYSTEM_FOLDERS = ("lost+found",)
"""Folders that a file system makes for itself."""
EXPECTED_ERRORS = (OSError, sqlite3.Error, NotABackup, CannotCopy, Error)


class BackupFailed(RuntimeError):
    """No backup was made; the message is a sentence for people."""


@dataclass(frozen=True)
class NewBackup:
    path: Path
    manifest: Manifest
    seconds: float
    left_out: tuple[str, ...]
    """Files in the folder of uploads whose names no upload can have."""
    not_removed: tuple[str, ...] = ()
    """Old backups that could not be removed, each with the reason."""


def make_backup(
    data: Path, target: Path | None = None, *, before_update: bool = False, now: datetime | None = None
) -> NewBackup:
    """Make a backup of the installation in `data`: at `target`, or in the folder of backups under a name of our own.

    In that folder, old backups are removed by the rule in `retention` once the new one is written. The
    result is noted in the data folder. Raises BackupFailed with a sentence.
    """
    moment = now or datetime.now(UTC)
    try:
        with _backup_lock(data):
            backup = _make(data, target, before_update, moment)
            missing = len(backup.manifest.missing_files)
            known = status.read(data)
            last_good = Path(known.last_good_file) if known.last_good_file else None
            earlier = encryption.parts_of(last_good, data) if last_good else ()
            damaged = rot.damaged_files(backup.manifest.parts, earlier, last_good, known.damaged_files)
            if settings.BACKUP_PUBLIC_KEY:
                encryption.keep_parts(data, backup.path, backup.manifest)
            is_elsewhere = target is not None
            status.note_good(data, backup.path, missing, moment, elsewhere=is_elsewhere, damaged_files=damaged)
            needed = {Path(file.backup) for file in damaged}
            return backup if target else replace(backup, not_removed=tuple(_remove_old(backup.path, moment, needed)))
    except BackupFailed:
        raise
    except Exception as error:
        if not isinstance(error, EXPECTED_ERRORS) and not is_object_store_error(error):
            raise
        sentence = in_a_sentence(error)
        status.note_trouble(data, sentence, moment)
        raise BackupFailed(sentence) from error


def _remove_old(newest: Path, moment: datetime, needed: set[Path]) -> Iterator[str]:
    """Remove the backups that no rule keeps, and that are not needed for a file that was damaged since.

    Yields a sentence for each that could not be removed.
    """
    for old in retention.to_remove(retention.backups_in(newest.parent), moment):
        try:
            if old.path != newest and old.path not in needed:
                old.path.unlink(missing_ok=True)
        except OSError as error:
            yield in_a_sentence(error)


def dump_before_update(data: Path, moment: datetime) -> Path:
    """The backup before an update, where a database server holds the records. Raises BackupFailed with a sentence."""
    try:
        with _backup_lock(data):
            target = name_before_update(moment)
            server.dump(target)
    except (OSError, server.NoTool) as error:
        raise BackupFailed(in_a_sentence(error)) from error
    return target


@contextmanager
def _backup_lock(data: Path) -> Iterator[None]:
    try:
        with locked(data / LOCK):
            in_use.refuse_half_restored(data)
            yield
    except in_use.NotNow as error:
        raise BackupFailed(str(error)) from None
    except InUse:
        raise BackupFailed("Another backup or a restore is going on. Wait until it has ended.") from None


def name_before_update(moment: datetime) -> Path:
    """The name of a backup made before an update at this moment. Raises BackupFailed with a sentence."""
    suffix = server.DUMP_SUFFIX if server.holds_the_records() else usual_suffix()
    try:
        return retention.free_name(folder(), moment, before_update=True, suffix=suffix)
    except OSError as error:
        raise BackupFailed(in_a_sentence(error)) from error


def usual_suffix() -> str:
    return f".zip{encryption.SUFFIX}" if settings.BACKUP_PUBLIC_KEY else ".zip"


def folder() -> Path:
    """The folder of backups, made if it does not exist."""
    place: Path = settings.BACKUP_DIR
    place.mkdir(mode=0o700, parents=True, exist_ok=True)
    chown_like_parent(place)
    return place


def in_a_sentence(error: Exception) -> str:
    if isinstance(error, OSError) and error.strerror:
        where = f" ({error.filename})" if error.filename else ""
        return f"{error.strerror}{where}."
    return f"{str(error).rstrip('.')}."


def _make(data: Path, target: Path | None, before_update: bool, moment: datetime) -> NewBackup:
    began = time.perf_counter()
    if target is None:
        place = folder()
        for stale in (*place.glob(f".*{retention.installation()}*"), *data.glob(f".*{retention.installation()}*")):
            # The process that wrote it no longer holds the lock: it was killed, or the power failed.
            shutil.rmtree(stale) if stale.is_dir() else stale.unlink(missing_ok=True)
        target = retention.free_name(place, moment, before_update=before_update, suffix=usual_suffix())
    _refuse_without_room(data, target)
    # What is not encrypted yet stays among the data, which it is a copy of: the target may be a stick or a share.
    place = data if settings.BACKUP_PUBLIC_KEY else target.parent
    temporary_folder = tempfile.TemporaryDirectory(prefix=f".{target.name}.", dir=place)
    with temporary_folder as folder_name, _writing(target, data) as writer:
        # Uploads never change. Adding them both before and after the database includes those of every record
        # in it, also of records stored or removed meanwhile.
        left_out: set[str] = set()
        names = _add_uploads(writer, default_storage, set(), left_out)
        database = Database(Path(folder_name) / DATABASE)
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
            environment=environment_settings(),
        )
    if settings.BACKUP_PUBLIC_KEY:
        try:
            encryption.encrypt(writer.target, target, settings.BACKUP_PUBLIC_KEY, data)
        finally:
            writer.target.unlink(missing_ok=True)
    return NewBackup(target, manifest, time.perf_counter() - began, tuple(sorted(left_out)))


def _writing(target: Path, data: Path) -> Writer:
    """Writes the backup at its place, or, where it will be encrypted, beside the data first."""
    if not settings.BACKUP_PUBLIC_KEY:
        return Writer(target)
    return Writer(data / f".plain{retention.installation()}-{secrets.token_hex(4)}.zip")


def _refuse_without_room(data: Path, target: Path) -> None:
    """Raises OSError where the backup would fill the disk: then the next record could not be stored."""
    needed_bytes = room_needed(data)
    for place in {target.parent, data} if settings.BACKUP_PUBLIC_KEY else {target.parent}:
        free_bytes = shutil.disk_usage(place).free
        if free_bytes < needed_bytes:
            raise OSError(
                errno.ENOSPC,
                f"A backup needs about {needed_bytes / 1e6:.0f} MB, and {free_bytes / 1e6:.0f} MB are free",
                str(place),
            )


def room_needed(data: Path) -> int:
    """About how many bytes a backup takes while it is made: the size of the last one, and a copy of the database.

    One that is encrypted is there twice for a moment.
    """
    live = data / LIVE_NAME
    copies = 2 if settings.BACKUP_PUBLIC_KEY else 1
    return copies * status.read(data).last_good_size_bytes + (live.stat().st_size if live.is_file() else 0)


def _add_uploads(writer: Writer, storage: Storage, known: set[str], left_out: set[str]) -> set[str]:
    added = set()
    for name in uploads(storage):
        if name in known:
            continue
        if not is_part_name(f"media/{name}"):
            # Not an upload of ours. If a record names it, it is also listed among the missing files.
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
    """Names of all stored uploads.

    Left out are files that are still being written, whose names begin with a dot, and folders that a desktop
    or a file system keeps for itself.
    """
    try:
        folders, files = storage.listdir(folder)
    except FileNotFoundError:
        return
    for name in sorted(files):
        if name and not name.startswith("."):
            yield f"{folder}/{name}" if folder else name
    for name in sorted(folders):
        if not name or name.startswith(".") or name in FILE_SYSTEM_FOLDERS:
            continue
        yield from uploads(storage, f"{folder}/{name}" if folder else name)
