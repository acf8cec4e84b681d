"""Bringing the database up to this version, with a backup of what it was.

All steps are one transaction (see the command `migrate`), so an update that dies leaves the database as it was. A note
in the data folder names the backup that was made before, until the update has come to its end: however often it is
begun again, there is one backup of what was there before.
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

from buildlog.hosting.backups import in_use, making, package, retention, server
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
"""How much room the steps may take, in sizes of the database: SQLite writes a changed table anew, first beside the
database and then into it. Measured with the largest table changed in every step: 1.7 beside it, 0.7 more in it."""
LEAST_ROOM_BYTES = 8_000_000
MAKE_ROOM = "Make room, then start again."
SLOW_BYTES = 200_000_000
"""From this size on, a person at the terminal is told to be patient."""


class UpdateRefused(RuntimeError):
    """The database was left as it is; the message is a sentence for people that says what to do."""


@dataclass(frozen=True)
class Attempt:
    """An update that has begun: the steps that the database had then, what it held, and the backup made of it."""

    steps_made: list[str]
    database_sha256: str
    """Empty where that cannot be told, as on a server."""
    backup: str


def bring_up_to_date(say: Callable[[str], object], *, with_backup: bool = True) -> Path | None:
    """Make the steps that are still to be made; returns the backup made before, if any. Raises as `up_to_date`."""
    with up_to_date(say, with_backup=with_backup) as backup:
        return backup


@contextmanager
def up_to_date(say: Callable[[str], object], *, with_backup: bool = True) -> Iterator[Path | None]:
    """Within the block the database is of this version, and nobody else updates it; gives the backup made before.

    An empty database is only built. Raises UpdateRefused when a newer version made the database, while its data are
    being restored or served, when there is too little room, or when the backup or a step fails.
    """
    with ExitStack() as held:
        try:
            held.enter_context(_no_other(settings.DATA, say))
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
def _no_other(data: Path, say: Callable[[str], object]) -> Iterator[None]:
    """One update on this machine: SQLite has no lock of its own that lasts for more than a step."""
    with ExitStack() as held:
        try:
            held.enter_context(locked(data / LOCK))
        except InUse:
            say("Another update is going on; waiting until it has ended …")
            held.enter_context(locked(data / LOCK, wait=True))
        yield


def _bring_up_to_date(say: Callable[[str], object], with_backup: bool) -> Path | None:
    with in_use.used(settings.DATA):
        made, waiting = _steps()
        if not waiting:
            (settings.DATA / NOTE).unlink(missing_ok=True)
            return None
        if server.holds_the_records() or not made:
            return _make_steps(made, waiting, say, with_backup)
    # The file may be another one by the time nobody else has the folder.
    connections.close_all()
    busy = (
        "The database needs an update, and a server of the earlier version or a restore is running. Stop the server, "
        "or wait until the restore has ended, then start again."
    )
    with in_use.alone(settings.DATA, busy=busy):
        in_use.refuse_half_restored(settings.DATA)
        made, waiting = _steps()
        return _make_steps(made, waiting, say, with_backup) if waiting else None


def _steps() -> tuple[list[str], list[str]]:
    made, waiting = steps()
    newer = newer_than_known(made)
    if newer:
        raise UpdateRefused(
            f"The database is from a newer version of the program (it knows {newer[0]}; this is version {VERSION}). "
            f"Start the newer version again, or go back with: {_way_back(_newest_to_go_back_to())}"
        )
    return made, waiting


def _make_steps(made: list[str], waiting: list[str], say: Callable[[str], object], with_backup: bool) -> Path | None:
    backup = None
    if made:
        _refuse_without_room(with_backup)
        if with_backup:
            backup = _backup_of_what_was(made, waiting, say)
    patience = " This can take some minutes. If it is cut off, the next start does it again." if _is_large() else ""
    say(f"Bringing the database up to date …{patience}")
    command = migrate.Command()
    if made:
        command.on_step = lambda name: say(f"  {name}")
    try:
        call_command(command, interactive=False, verbosity=0)
    except Exception as error:
        # Whatever a step may raise, the person needs to hear how to go on.
        raise UpdateRefused(
            f"The database could not be brought up to date: {str(error).strip().rstrip('.')}. It is as it was before. "
            f"{_how_to_go_on(error, backup)}"
        ) from error
    (settings.DATA / NOTE).unlink(missing_ok=True)
    return backup


def _backup_of_what_was(made: list[str], waiting: list[str], say: Callable[[str], object]) -> Path:
    attempt, state = _attempt(), _state_of_the_database()
    if attempt and attempt.steps_made == made and os.path.isfile(attempt.backup):
        if state and attempt.database_sha256 == state:
            say(f"Going on with an update that was cut off. Backup of before: {attempt.backup}")
            return Path(attempt.backup)
    else:
        attempt = None
    size = f", of about {making.room_needed(settings.DATA) / 1e6:.0f} MB," if _is_large() else ""
    say(f"A new version: making a backup{size} before the database is changed …")
    moment = datetime.now(UTC)
    try:
        # Noted by its name before it is there: it gets the name once it is whole.
        noted = Attempt(made, state, str(making.name_before_update(moment)))
        write_atomically(settings.DATA / NOTE, json.dumps(asdict(noted), indent=1).encode())
        backup = _backup(moment)
    except (BackupFailed, OSError) as error:
        why = making.in_a_sentence(error)
        raise UpdateRefused(
            f"The database needs {len(waiting)} steps to this version, and the backup before them failed: {why} "
            "Mend that and start again, or go on without one: manage.py update --without-backup"
        ) from None
    say(f"Backup: {backup}")
    if attempt and server.holds_the_records():
        # The one that came to nothing; the new one holds all that it held.
        Path(attempt.backup).unlink(missing_ok=True)
    return backup


def _backup(moment: datetime) -> Path:
    if server.holds_the_records():
        # Ours would need tables of this version, which are only about to be made.
        return dump_before_update(settings.DATA, moment)
    return make_backup(settings.DATA, before_update=True, now=moment).path


def _attempt() -> Attempt | None:
    try:
        return Attempt(**json.loads((settings.DATA / NOTE).read_text()))
    except (OSError, ValueError, TypeError):
        return None


def _state_of_the_database() -> str:
    """A hash of all it holds; "" on a server, and where something is still beside SQLite's file."""
    if server.holds_the_records():
        return ""
    # Whoever closes last brings all into the one file; and no process may read that file while it has it open too,
    # because closing it would let go of SQLite's own locks.
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
    """Before anything is done: say how much room backup and steps take on each disk, where it is not there."""
    if server.holds_the_records():
        return
    wanted = {settings.DATA: max(_size_bytes() * ROOM_FOR_STEPS, LEAST_ROOM_BYTES)}
    if with_backup:
        with contextlib.suppress(OSError):
            # A folder that is not to be had is what the backup itself says.
            folder = making.folder()
            together = folder.stat().st_dev == settings.DATA.stat().st_dev
            place = settings.DATA if together else folder
            wanted[place] = wanted.get(place, 0) + making.room_needed(settings.DATA)
    for place, size in wanted.items():
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
    if _was_made_already(error) and (before := _oldest_in_a_row()):
        # What versions up to 0.8 left when they were killed, and backups that were made of it since.
        return (
            "An update by an earlier version was cut off between a step and the record of it. "
            f"To go back to before that: {_way_back(before)}"
        )
    return f"To go back, put the earlier program in place, then: {_way_back(backup)}" if backup else ""


def _was_made_already(error: Exception) -> bool:
    """Whether a step failed because the table, index or column that it makes is there."""
    by_server = type(error.__cause__).__name__ in ("DuplicateTable", "DuplicateColumn", "DuplicateObject")
    return by_server or bool(re.match(r"(table|index) \S+ already exists|duplicate column name", str(error)))


def _before_updates() -> list[retention.Kept]:
    """This installation's own backups of a kind that can be brought back here, the newest first."""
    suffix = server.DUMP_SUFFIX if server.holds_the_records() else ".zip"
    return [one for one in retention.backups_in(settings.BACKUP_DIR) if one.is_own and one.path.suffix == suffix]


def _oldest_in_a_row() -> Path | None:
    """The first of those made before updates since the server last ran long enough to make one by itself."""
    oldest = None
    for one in _before_updates():
        if not one.before_update:
            break
        oldest = one.path
    return oldest


def _newest_to_go_back_to() -> Path | None:
    """The newest made before an update that this version of the program can read."""
    for one in _before_updates():
        if not one.before_update:
            continue
        if one.path.suffix == server.DUMP_SUFFIX:
            return one.path
        manifest = package.listed(one.path)
        if manifest is not None and not newer_than_known(manifest.migrations):
            return one.path
    return None


def _way_back(backup: Path | None) -> str:
    if server.holds_the_records():
        file = backup or "FILE, made by pg_dump before the update"
        return f"pg_restore --no-owner --dbname=AN_EMPTY_DATABASE {file}, and name that in DATABASE_URL"
    return f"manage.py restore {backup or 'FILE, with a backup made before the update'}"
