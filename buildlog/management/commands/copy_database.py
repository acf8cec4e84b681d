"""Carry everything that is stored over to another database, and prove that nothing was lost."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import DatabaseError

from buildlog.hosting import stores
from buildlog.hosting.backups import in_use
from buildlog.hosting.backups.database import LIVE_NAME
from buildlog.hosting.data_copy import CannotCopy, copy_everything, known_as


class Command(BaseCommand):
    help = "Copy every record from the database in use into an empty one, and compare both by counts and hashes."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "address", help=f"the empty database, for example {stores.SERVER_EXAMPLE} or {stores.FILE_EXAMPLE}"
        )

    def handle(self, *, address: str, **options: Any) -> None:
        try:
            target = stores.database(address)
        except ValueError as error:
            raise CommandError(f"The address must be {error}. For example {stores.SERVER_EXAMPLE}") from None
        file = Path(target["NAME"]) if "sqlite" in target["ENGINE"] else None
        try:
            with in_use.alone(settings.DATA), known_as("target", target) as alias:
                if file:
                    # Only its owner may read it, as the one in the data folder.
                    file.touch(mode=0o600)
                report = copy_everything("default", alias, keep_still=True)
        except OSError as error:
            raise CommandError(f"{error.filename} cannot be written: {error.strerror}.") from None
        except (CannotCopy, in_use.NotNow) as error:
            raise CommandError(str(error)) from None
        except DatabaseError as error:
            raise CommandError(f"One of the two databases cannot be used: {error}".strip()) from None
        width = max(len(table.name) for table in report.tables)
        for table in report.tables:
            self.stdout.write(f"{table.name:<{width}}  {table.rows:>9}  {table.sha256[:16]}")
        self.stdout.write(
            f"{report.rows} rows in {len(report.tables)} tables were copied, read back, and found the same.\n"
            f"SHA-256 over all of them: {report.sha256}\n"
            "The old database is as it was. "
            + (
                f"To use the new one, move it to {settings.DATA / LIVE_NAME}, where nothing else may stand, and take "
                "DATABASE_URL away."
                if file
                else "From now on start every host with DATABASE_URL set to the new one."
            )
        )
