"""Migrating the database to this version, after a backup.

All migrations run in one transaction (see the command `migrate`), so an update that dies leaves the database as it
was. Until the update is complete, a note in the data folder names the backup made before it: however often the
update is started again, there is one backup of the database before it.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from django.conf import settings
from django.core.management import call_command
from django.db import Error, connections

from buildlog.hosting.backups import encryption, in_use, making, retention, server
from buildlog.hosting.backups.database import LIVE_NAME
from buildlog.hosting.backups.making import BackupFailed, dump_before_update, make_backup
from buildlog.hosting.version import VERSION, newer_than_known, steps
from buildlog.management.commands import migrate
from buildlog.storage import full_disk
from buildlog.storage.conflicts import database_upgrade_lock
from buildlog.storage.durable_files import CannotLock, InUse, locked, write_atomically
from buildlog.storage.stored_files import fingerprint

LOCK = "update.lock"
NOTE = ".update-under-way.json"
"""In the data folder from the backup before an update until the update's end."""
ROOM_FOR_STEPS = 2.5
"""Disk space that the migrations may take, as a multiple of the database's size: SQLite rewrites a changed table,
first in the WAL and then in the database. Measured with the largest table changed in every migration: 1.7 and 0.7."""
LEAST_ROOM_BYTES = 8_000_000
MAKE_ROOM = "Make room, then start again."
SLOW_BYTES = 200_000_000
"""From this size on, a message at the terminal asks for patience."""


class UpdateRefused(RuntimeError):
    """The database was left unchanged; the message is a sentence that says what to do."""


@dataclass(frozen=True)
class Attempt:
    """An update that has begun: the migrations and content of the database at that time, and its backup."""

    steps_made: list[str]
    database_sha256: str
    """Empty where it cannot be computed, as on a database server."""
    backup: str


def bring_up_to_date(say: Callable[[str], object], *, with_backup: bool = True) -> Path | None:
    """Run the outstanding migrations; returns the backup made before them, if any. Raises as `up_to_date`."""
    with up_to_date(say, with_backup=with_backup) as backup:
        return backup


@contextmanager
def up_to_date(say: Callable[[str], object], *, with_backup: bool = True) -> Iterator[Path | None]:
    """Within the block the database has this version, and no other update can run; yields the backup made before.

    An empty database needs no backup. Raises UpdateRefused when the database is of a newer version, while its data
    are being restored or served, when the disk is too full, or when the backup or a migration fails.
    """
    with ExitStack() as stack:
        try:
            stack.enter_context(_update_lock(settings.DATA, say))
            with database_upgrade_lock():
                backup = _bring_up_to_date(say, with_backup)
        except in_use.NotNow as error:
            raise UpdateRefused(str(error)) from None
        except CannotLock as error:
            raise UpdateRefused(f"{error.strerror}.") from None
        except Error as error:
            raise UpdateRefused(_cannot_be_opened(error)) from None
        yield backup


@contextmanager
def _update_lock(data: Path, say: Callable[[str], object]) -> Iterator[None]:
    """One update at a time on this machine: SQLite has no lock of its own that spans several migrations."""
    with ExitStack() as stack:
        try:
            stack.enter_context(locked(data / LOCK))
        except InUse:
            say("Another update is going on; waiting until it has ended …")
            stack.enter_context(locked(data / LOCK, wait=True))
        yield


def _bring_up_to_date(say: Callable[[str], object], with_backup: bool) -> Path | None:
    with in_use.shared_lock(settings.DATA):
        applied, waiting = _steps()
        if not waiting:
            (settings.DATA / NOTE).unlink(missing_ok=True)
            return None
        if server.holds_the_records() or not applied:
            return _make_steps(applied, waiting, say, with_backup)
    # The database file may have been replaced before the exclusive lock is acquired.
    connections.close_all()
    busy = (
        "The database needs an update, and a server of the earlier version or a restore is running. Stop the server, "
        "or wait until the restore has ended, then start again."
    )
    with in_use.exclusive_lock(settings.DATA, busy=busy):
        in_use.refuse_half_restored(settings.DATA)
        applied, waiting = _steps()
        return _make_steps(applied, waiting, say, with_backup) if waiting else None


def _steps() -> tuple[list[str], list[str]]:
    applied, waiting = steps()
    newer = newer_than_known(applied)
    if newer:
        raise UpdateRefused(
            f"The database is from a newer version of the program (it knows {newer[0]}; this is version {VERSION}). "
            f"Start the newer version again, or go back with: {_way_back(_newest_to_go_back_to())}"
        )
    return applied, waiting


def _make_steps(applied: list[str], waiting: list[str], say: Callable[[str], object], with_backup: bool) -> Path | None:
    backup = None
    if applied:
        _refuse_without_room(with_backup)
        if with_backup:
            backup = _backup_of_what_was(applied, waiting, say)
    patience = " This can take some minutes. If it is cut off, the next start does it again." if _is_large() else ""
    say(f"Bringing the database up to date …{patience}")
    command = migrate.Command()
    if applied:
        command.on_step = lambda name: say(f"  {name}")
    try:
        call_command(command, interactive=False, verbosity=0)
    except Exception as error:
        # A migration may raise anything; the person needs to know how to go on.
        raise UpdateRefused(
            f"The database could not be brought up to date: {str(error).strip().rstrip('.')}. It is as it was before. "
            f"{_how_to_go_on(error, backup)}"
        ) from error
    (settings.DATA / NOTE).unlink(missing_ok=True)
    return backup


def _backup_of_what_was(applied: list[str], waiting: list[str], say: Callable[[str], object]) -> Path:
    attempt, state = _attempt(), _state_of_the_database()
    if attempt and attempt.steps_made == applied and os.path.isfile(attempt.backup):
        if state and attempt.database_sha256 == state:
            say(f"Going on with an update that was cut off. Backup of before: {attempt.backup}")
            return Path(attempt.backup)
    else:
        attempt = None
    size = f", of about {making.room_needed(settings.DATA) / 1e6:.0f} MB," if _is_large() else ""
    say(f"A new version: making a backup{size} before the database is changed …")
    moment = datetime.now(UTC)
    try:
        # The name is noted before the file exists: it gets that name once it is complete.
        noted = Attempt(applied, state, str(making.name_before_update(moment)))
        write_atomically(settings.DATA / NOTE, json.dumps(asdict(noted), indent=1).encode())
        backup = _backup(moment)
    except (BackupFailed, OSError) as error:
        why = making.in_a_sentence(error)
        raise UpdateRefused(
            f"The database needs {len(waiting)} steps to this version, and the backup before them failed: {why} "
            "Correct that and start again, or go on without a backup: manage.py update --without-backup"
        ) from None
    say(f"Backup: {backup}")
    if attempt and server.holds_the_records():
        # The backup of the earlier attempt; the new one holds everything in it.
        Path(attempt.backup).unlink(missing_ok=True)
    return backup


def _backup(moment: datetime) -> Path:
    if server.holds_the_records():
        # Our own backup would need the tables of this version, which do not exist yet.
        return dump_before_update(settings.DATA, moment)
    return make_backup(settings.DATA, before_update=True, now=moment).path


def _attempt() -> Attempt | None:
    try:
        return Attempt(**json.loads((settings.DATA / NOTE).read_text()))
    except (OSError, ValueError, TypeError):
        return None


def _state_of_the_database() -> str:
    """A hash of the database file; "" on a database server, and while SQLite has a WAL file."""
    if server.holds_the_records():
        return ""
    # The last connection to close merges the WAL. A process that has the database open must not read the file
    # itself: closing that second file handle would release SQLite's locks.
    connections.close_all()
    if os.path.lexists(settings.DATA / f"{LIVE_NAME}-wal"):
        return ""
    with (settings.DATA / LIVE_NAME).open("rb") as file:
        return fingerprint(file)


def _size_bytes() -> int:
    live = settings.DATA / LIVE_NAME
    return 0 if server.holds_the_records() or not live.is_file() else live.stat().st_size


def _is_large() -> bool:
    return _size_bytes() > SLOW_BYTES


def _refuse_without_room(with_backup: bool) -> None:
    """Before anything is done: refuse where a disk has too little space for the backup and the migrations."""
    if server.holds_the_records():
        return
    needed_bytes = {settings.DATA: max(_size_bytes() * ROOM_FOR_STEPS, LEAST_ROOM_BYTES)}
    if with_backup:
        with contextlib.suppress(OSError):
            # If the folder is not available, the backup itself says so.
            folder = making.folder()
            together = folder.stat().st_dev == settings.DATA.stat().st_dev
            place = settings.DATA if together else folder
            needed_bytes[place] = needed_bytes.get(place, 0) + making.room_needed(settings.DATA)
    for place, size in needed_bytes.items():
        free = shutil.disk_usage(place).free
        if free < size:
            raise UpdateRefused(
                f"The update needs about {size / 1e6:.0f} MB on the disk of {place}, and {free / 1e6:.0f} MB are free. "
                f"Nothing was changed. {MAKE_ROOM}"
            )


def _cannot_be_opened(error: Error) -> str:
    where = "that DATABASE_URL names" if server.holds_the_records() else f"in {settings.DATA}"
    if full_disk.is_full(error):
        return f"The database {where} cannot be opened. {full_disk.sentence(settings.DATA)} {MAKE_ROOM}"
    return f"The database {where} cannot be opened: {str(error).strip()}"


def _how_to_go_on(error: Exception, backup: Path | None) -> str:
    if full_disk.is_full(error):
        return f"{full_disk.sentence(settings.DATA)} {MAKE_ROOM}"
    if _exists_already(error) and (before := _oldest_consecutive_backup()):
        # Versions up to 0.8 could be killed between a migration and its record; later backups hold that state too.
        return (
            "An update by an earlier version was cut off between a migration and the record of it. "
            f"To go back to before that: {_way_back(before)}"
        )
    return f"To go back, put the earlier program in place, then: {_way_back(backup)}" if backup else ""


def _exists_already(error: Exception) -> bool:
    """Whether a migration failed because the table, index or column that it creates exists already."""
    by_server = type(error.__cause__).__name__ in ("DuplicateTable", "DuplicateColumn", "DuplicateObject")
    return by_server or bool(re.match(r"(table|index) \S+ already exists|duplicate column name", str(error)))


def _before_updates() -> list[retention.BackupFile]:
    """This installation's own backups that can be restored here, the newest first."""
    by_server = server.holds_the_records()
    return [
        backup
        for backup in retention.backups_in(settings.BACKUP_DIR)
        if backup.is_own and (backup.suffix == server.DUMP_SUFFIX) == by_server
    ]


def _oldest_consecutive_backup() -> Path | None:
    """The first of the latest consecutive backups made before updates, with no scheduled backup between them."""
    oldest = None
    for backup in _before_updates():
        if not backup.before_update:
            break
        oldest = backup.path
    return oldest


def _newest_to_go_back_to() -> Path | None:
    """The newest backup made before an update that this version of the program can restore."""
    for backup in _before_updates():
        if not backup.before_update:
            continue
        if backup.suffix == server.DUMP_SUFFIX:
            return backup.path
        manifest = encryption.listed(backup.path, settings.DATA)
        if manifest is not None and not newer_than_known(manifest.migrations):
            return backup.path
    return None


def _way_back(backup: Path | None) -> str:
    if server.holds_the_records():
        file = backup or "FILE, made by pg_dump before the update"
        return f"pg_restore --no-owner --dbname=AN_EMPTY_DATABASE {file}, and name that in DATABASE_URL"
    return f"manage.py restore {backup or 'FILE, with a backup applied before the update'}"
