"""The framework's `migrate`, with all migrations and their records in one transaction.

The framework commits each migration by itself, and records it afterwards where SQL is deferred to its end. Killed in
between, it fails at every later start because a table exists already. Here the database has the version before or
this one, whenever the process dies: SQLite and PostgreSQL both change tables within a transaction.
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
        # SQLite rebuilds tables with constraint checks off, which cannot be switched within a transaction.
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
