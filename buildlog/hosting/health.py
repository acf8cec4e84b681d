"""Whether this installation can do its work: its database, its disk, its backups."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from django.conf import settings
from django.db import Error, connection, transaction

from buildlog.hosting.backups import status as backup_status
from buildlog.hosting.version import VERSION
from buildlog.storage import full_disk

LEAST_FREE_BYTES = 200 * 1024 * 1024
"""Room for a day's photos, and for SQLite to put its own files in order."""


@dataclass(frozen=True)
class Finding:
    """One part of the installation: a sentence about what is wrong, or "", and figures for the owner."""

    trouble: str
    figures: dict[str, Any]


def database() -> Finding:
    """Reads and writes for real; what it writes changes nothing that anybody stored."""
    figures = {"engine": connection.display_name}
    try:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(
                "UPDATE django_migrations SET name = name WHERE id = (SELECT min(id) FROM django_migrations)"
            )
            written = cursor.rowcount
            transaction.set_rollback(True)
        if connection.vendor == "sqlite":
            _commit_something()
    except Error as error:
        return Finding(f"The database cannot be written: {error}", figures)
    if connection.vendor == "sqlite" and full_disk.is_disk_full(settings.DATA):
        # What was just written took the place of something; the next record may find none.
        return Finding("The database cannot be written: the disk is full.", figures)
    return Finding("" if written == 1 else "The database is empty.", figures)


def _commit_something() -> None:
    """Only a commit reaches SQLite's disk, and one that changes nothing does not: so a number of ours counts on."""
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("PRAGMA user_version")
        cursor.execute(f"PRAGMA user_version = {1 - cursor.fetchone()[0] % 2}")


def disk() -> Finding:
    try:
        usage = shutil.disk_usage(settings.DATA)
    except OSError as error:
        return Finding(f"The data folder cannot be reached: {error.strerror}", {})
    trouble = f"Only {usage.free / 1e6:.0f} MB are free." if usage.free < LEAST_FREE_BYTES else ""
    return Finding(trouble, {"free_bytes": usage.free, "total_bytes": usage.total})


def backup() -> Finding:
    now, status = datetime.now(UTC), backup_status.read(settings.DATA)
    age_h = (now - status.last_good_at).total_seconds() / 3600 if status.last_good_at else None
    figures = {
        "age_h": round(age_h, 2) if age_h is not None else None,
        "every_h": settings.BACKUP_HOURS,
        "size_bytes": status.last_good_size_bytes,
    }
    return Finding(backup_status.warning(status, settings.BACKUP_HOURS, now), figures)


PARTS: dict[str, Callable[[], Finding]] = {"database": database, "disk": disk, "backup": backup}


def examine(names: list[str]) -> dict[str, Finding]:
    return {name: PARTS[name]() for name in dict.fromkeys(names)}


def summary(findings: dict[str, Finding], *, to_owner: bool) -> dict[str, Any]:
    """What is said of it: to anybody only whether each part is well, to the owner everything."""
    parts: dict[str, Any] = {"status": "trouble" if any(finding.trouble for finding in findings.values()) else "ok"}
    for name, finding in findings.items():
        status = "trouble" if finding.trouble else "ok"
        parts[name] = {"status": status, "trouble": finding.trouble, **finding.figures} if to_owner else status
    return {**parts, "version": VERSION} if to_owner else parts
