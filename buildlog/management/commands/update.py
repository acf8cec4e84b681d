"""What `serve` does first, on its own: for start scripts, and before several hosts start a new version."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from buildlog.hosting import update


class Command(BaseCommand):
    help = "Back up the database, and bring it up to this version. Does nothing when it is."
    requires_system_checks = ()

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--without-backup", action="store_true", help="when the backup cannot be made")

    def handle(self, *, without_backup: bool, **options: Any) -> None:
        try:
            update.bring_up_to_date(self._say, with_backup=not without_backup)
        except update.UpdateRefused as error:
            raise CommandError(str(error)) from None
        self.stdout.write("The database is up to date.")

    def _say(self, words: str) -> None:
        self.stdout.write(words)
        self.stdout.flush()
