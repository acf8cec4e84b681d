"""Bringing the database up to this version, with a backup of what it was."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from pathlib import Path

from django.conf import settings
from django.core.management import call_command
from django.db import Error

from buildlog.backups import in_use, keeping, server
from buildlog.backups.making import BackupFailed, dump_before_update, make_backup
from buildlog.conflicts import alone_in_the_database
from buildlog.durable_files import InUse, locked
from buildlog.version import VERSION, newer_than_known, steps

LOCK = "update.lock"


class UpdateRefused(RuntimeError):
    """The database was left as it is; the message is a sentence for people that says what to do."""


def bring_up_to_date(say: Callable[[str], object], *, with_backup: bool = True) -> Path | None:
    """Make the steps that are still to be made, while no other host does; returns the backup made before, if any.

    An empty database is only built. Raises UpdateRefused when a newer version made the database, while its data
    are being restored, or when the backup or a step fails.
    """
    try:
        with in_use.used(settings.DATA), _no_other(settings.DATA, say), alone_in_the_database():
            return _bring_up_to_date(say, with_backup)
    except in_use.NotNow as error:
        raise UpdateRefused(str(error)) from None
    except Error as error:
        where = "that DATABASE_URL names" if server.holds_the_records() else f"in {settings.DATA}"
        raise UpdateRefused(f"The database {where} cannot be opened: {str(error).strip()}") from None


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
    made, waiting = steps()
    newer = newer_than_known(made)
    if newer:
        raise UpdateRefused(
            f"The database is from a newer version of the program (it knows {newer[0]}; this is version {VERSION}). "
            f"Start the newer version again, or go back with: {_way_back(_newest_before_update())}"
        )
    if not waiting:
        return None
    backup = None
    if made and with_backup:
        say("A new version: making a backup before the database is changed …")
        try:
            backup = _backup()
        except BackupFailed as error:
            raise UpdateRefused(
                f"The database needs {len(waiting)} steps to this version, and the backup before them failed: {error} "
                "Mend that and start again, or go on without one: manage.py update --without-backup"
            ) from None
        say(f"Backup: {backup}")
    say("Bringing the database up to date …")
    try:
        call_command("migrate", interactive=False, verbosity=0)
    except Exception as error:
        # Whatever a step may raise, the person needs to hear how to go on.
        back = f" To go back, put the earlier program in place, then: {_way_back(backup)}" if backup else ""
        raise UpdateRefused(f"The database could not be brought up to date: {error}.{back}") from error
    return backup


def _backup() -> Path:
    if server.holds_the_records():
        # Ours would need tables of this version, which are only about to be made.
        return dump_before_update(settings.DATA, datetime.now(UTC))
    return make_backup(settings.DATA, before_update=True).path


def _newest_before_update() -> Path | None:
    suffix = server.DUMP_SUFFIX if server.holds_the_records() else ".zip"
    for one in keeping.backups_in(settings.BACKUP_DIR):
        if one.before_update and one.is_own and one.path.suffix == suffix:
            return one.path
    return None


def _way_back(backup: Path | None) -> str:
    if server.holds_the_records():
        file = backup or "FILE, made by pg_dump before the update"
        return f"pg_restore --no-owner --dbname=AN_EMPTY_DATABASE {file}, and name that in DATABASE_URL"
    return f"manage.py restore {backup or 'FILE, with a backup made before the update'}"
