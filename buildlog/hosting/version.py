"""Which version of the program this is, and which versions of the database it knows."""

from __future__ import annotations

from collections.abc import Iterable

from django.db import DEFAULT_DB_ALIAS, connections
from django.db.migrations.loader import MigrationLoader

VERSION = "0.8"


def known_migrations() -> frozenset[str]:
    """Every step of the database's build that this program knows, as `app.name`."""
    loader = MigrationLoader(None)
    known = set(loader.disk_migrations) | {
        replaced for migration in loader.disk_migrations.values() for replaced in migration.replaces
    }
    return frozenset(f"{app}.{name}" for app, name in known)


EARLIER_APPLICATIONS = frozenset({"admin"})
"""Applications that were taken away; databases and backups still know their steps."""


def newer_than_known(applied: Iterable[str]) -> list[str]:
    """Steps that only a newer program can have made; not those of applications that earlier ones had."""
    unknown = set(applied) - known_migrations()
    return sorted(step for step in unknown if step.split(".")[0] not in EARLIER_APPLICATIONS)


def steps(alias: str = DEFAULT_DB_ALIAS) -> tuple[list[str], list[str]]:
    """The steps made in a database, and those that are still to be made."""
    loader = MigrationLoader(connections[alias])
    applied = sorted(f"{app}.{name}" for app, name in loader.applied_migrations)
    waiting = sorted(f"{app}.{name}" for app, name in set(loader.graph.nodes) - set(loader.applied_migrations))
    return applied, waiting
