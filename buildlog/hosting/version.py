"""Which version of the program this is, and which versions of the database it knows."""

from __future__ import annotations

from collections.abc import Iterable

from django.db import DEFAULT_DB_ALIAS, connections
from django.db.migrations.loader import MigrationLoader

VERSION = "0.8"
GIVEN_UP = (
    "admin.0001_initial",
    "admin.0002_logentry_remove_auto_add",
    "admin.0003_logentry_add_action_flag_choices",
)
"""Steps of parts of the framework that earlier versions used: databases and backups of then have them recorded."""


def known_migrations() -> frozenset[str]:
    """Every step of the database's build that this program knows, as `app.name`."""
    loader = MigrationLoader(None)
    known = set(loader.disk_migrations) | {
        replaced for migration in loader.disk_migrations.values() for replaced in migration.replaces
    }
    return frozenset(f"{app}.{name}" for app, name in known) | frozenset(GIVEN_UP)


def newer_than_known(applied: Iterable[str]) -> list[str]:
    """Steps that only a newer program can have made."""
    return sorted(set(applied) - known_migrations())


def steps(alias: str = DEFAULT_DB_ALIAS) -> tuple[list[str], list[str]]:
    """The steps made in a database, and those that are still to be made."""
    loader = MigrationLoader(connections[alias])
    applied = sorted(f"{app}.{name}" for app, name in loader.applied_migrations)
    waiting = sorted(f"{app}.{name}" for app, name in set(loader.graph.nodes) - set(loader.applied_migrations))
    return applied, waiting
