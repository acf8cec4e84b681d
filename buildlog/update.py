"""Bringing the database up to this version, with a backup of what it was."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from django.conf import settings
from django.core.management import call_command
from django.db import Error

from buildlog.backups import keeping
from buildlog.backups.making import BackupFailed, make_backup
from buildlog.version import VERSION, newer_than_known, steps


class UpdateRefused(RuntimeError):
    """The database was left as it is; the message is a sentence for people that says what to do."""


def bring_up_to_date(say: Callable[[str], object], *, with_backup: bool = True) -> Path | None:
    """Make the steps that are still to be made; returns the backup made before, if one was.

    An empty database is only built. Raises UpdateRefused when a newer version made the database, or when the
    backup or a step fails.
    """
    try:
        made, waiting = steps()
    except Error as error:
        raise UpdateRefused(f"The database in {settings.DATA} cannot be opened: {error}") from None
    newer = newer_than_known(made)
    if newer:
        raise UpdateRefused(
            f"The database is from a newer version of the program (it knows {newer[0]}; this is version {VERSION}). "
            f"Start the newer version again, or go back with: manage.py restore {_before_update()}"
        )
    if not waiting:
        return None
    backup = None
    if made and with_backup:
        say("A new version: making a backup before the database is changed …")
        try:
            backup = make_backup(settings.DATA, before_update=True).path
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
        back = f" To go back: manage.py restore {backup}" if backup else ""
        raise UpdateRefused(f"The database could not be brought up to date: {error}.{back}") from error
    return backup


def _before_update() -> str:
    made = [one.path for one in keeping.backups_in(settings.BACKUP_DIR) if one.before_update]
    return str(made[0]) if made else "FILE, with a backup made before the update"
