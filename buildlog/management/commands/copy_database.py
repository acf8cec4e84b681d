"""Carry everything that is stored over to another database, and prove that nothing was lost."""

from __future__ import annotations

from django.core.management.base import BaseCommand, CommandError
from django.db import DatabaseError

from buildlog.config import stores
from buildlog.data_copy import CannotCopy, copy_everything, known_as


class Command(BaseCommand):
    help = "Copy every record from the database in use into an empty one, and compare both by counts and hashes."

    def add_arguments(self, parser):
        parser.add_argument(
            "address", help=f"the empty database, for example {stores.SERVER_EXAMPLE} or {stores.FILE_EXAMPLE}"
        )

    def handle(self, *, address, **options):
        try:
            settings = stores.database(address)
        except ValueError as error:
            raise CommandError(f"The address must be {error}. For example {stores.SERVER_EXAMPLE}") from None
        try:
            with known_as("target", settings) as target:
                report = copy_everything("default", target, keep_still=True)
        except CannotCopy as error:
            raise CommandError(str(error)) from None
        except DatabaseError as error:
            raise CommandError(f"One of the two databases cannot be used: {error}".strip()) from None
        width = max(len(table.name) for table in report.tables)
        for table in report.tables:
            self.stdout.write(f"{table.name:<{width}}  {table.rows:>9}  {table.sha256[:16]}")
        self.stdout.write(
            f"{report.rows} rows in {len(report.tables)} tables were copied, read back, and found the same.\n"
            f"SHA-256 over all of them: {report.sha256}\n"
            "The old database is as it was. From now on start every host with DATABASE_URL set to the new one."
        )
