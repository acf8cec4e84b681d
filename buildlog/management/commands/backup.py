"""Everything of this installation in one file, while the server runs."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from buildlog.hosting.backups import making, retention
from buildlog.hosting.backups import status as standing


class Command(BaseCommand):
    help = "Make a backup: database, photos, recordings, settings and key in one file. The server may run."
    requires_system_checks = ()

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--to", help="a file to write, or a folder; otherwise the folder of backups")
        parser.add_argument("--if-due", action="store_true", help="do nothing while the last one is young enough")

    def handle(self, *, to: str | None, if_due: bool, **options: Any) -> None:
        now = datetime.now(UTC)
        if if_due and not standing.is_due(standing.read(settings.DATA), settings.BACKUP_HOURS, now):
            self.stdout.write("No backup is due.")
            return
        target = None
        if to:
            target = Path(to).expanduser().absolute()
            if os.path.isdir(target):
                target = retention.free_name(target, now)
            if os.path.lexists(target):
                raise CommandError(f"{target} is there already. Choose another name, or a folder.")
            if not os.path.isdir(target.parent):
                raise CommandError(f"There is no folder {target.parent}. Make it first, or choose another.")
        try:
            made = making.make_backup(settings.DATA, target, now=now)
        except making.BackupFailed as error:
            raise CommandError(f"No backup was made. {error}") from None
        told = made.manifest
        self.stdout.write(
            f"Backed up {told.record_count} records and {told.file_count} files in {made.seconds:.1f} s, "
            f"{made.path.stat().st_size / 1e6:.1f} MB:\n{made.path}"
        )
        for name in told.missing_files[:10]:
            self.stderr.write(f"A record speaks of a file that is not in the data folder: {name}")
        for words in made.not_removed[:10]:
            self.stderr.write(f"An old backup should go, and cannot be removed: {words}")
        for name in made.left_out[:10]:
            self.stderr.write(f"Left out, because no upload has such a name: {name}")
