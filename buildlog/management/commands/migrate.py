"""The framework's `migrate`, but that all steps are made in one transaction, together with the record of them.

The framework commits each step by itself, and records it afterwards where SQL was left for the end of the step.
Killed in between, it finds at the next start that a table is there already, and never gets further. Here the
database is of the version before or of this one, whenever the process dies: SQLite and PostgreSQL both change
tables within a transaction.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.core.management.commands import migrate
from django.db import connections, transaction
from django.db.backends.base.base import BaseDatabaseWrapper


class Command(migrate.Command):
    connection: BaseDatabaseWrapper
    on_step: Callable[[str], object] = staticmethod(lambda _: None)
    """Called with the name of each step before it is made."""

    def handle(self, *args: Any, **options: Any) -> None:
        self.connection = connections[options["database"]]
        # SQLite remakes tables while references to them are not looked at, and takes no word on that later.
        unchecked = not self.connection.in_atomic_block and self.connection.disable_constraint_checking()
        try:
            with transaction.atomic(using=options["database"]):
                super().handle(*args, **options)
                self.connection.check_constraints()
        finally:
            if unchecked:
                self.connection.enable_constraint_checking()

    def migration_progress_callback(self, action: str, migration: Any = None, fake: bool = False) -> None:
        super().migration_progress_callback(action, migration, fake)
        if action == "apply_start":
            self.on_step(str(migration))
        elif action in ("apply_success", "unapply_success"):
            # PostgreSQL changes no table for which a check still waits for the end of the transaction.
            self.connection.check_constraints()
