"""The framework's `migrate`, with all migrations and their records in one transaction.

The framework commits each migration by itself, and records it afterwards where SQL is deferred to its end. Killed in
between, it fails at every later start because a table exists already. Here the database has the version before or
this one, whenever the process dies: SQLite and PostgreSQL both change tables within a transaction.

An empty database gets its tables as they are after the last migration, without the way there: SQLite copies a table
for most changes to it, which took nine tenths of the first start. A test holds both ways to the same result.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.core.management.commands import migrate
from django.db import connections, transaction
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.migrations.executor import MigrationExecutor


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
                if not options["app_label"] and not options["plan"] and not options["check_unapplied"]:
                    self.build_if_empty()
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

    def build_if_empty(self) -> None:
        """Create all tables and record all migrations; does nothing where there is a table already."""
        if self.connection.introspection.table_names():
            return
        executor = MigrationExecutor(self.connection)
        with self.connection.schema_editor() as editor:
            for model in executor.loader.project_state().apps.get_models():
                if model._meta.can_migrate(self.connection) and not model._meta.swapped:
                    editor.create_model(model)
        for migration, _ in executor.migration_plan(executor.loader.graph.leaf_nodes()):
            executor.record_migration(migration)
