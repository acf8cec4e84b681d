"""Whether this installation can do its work: its database, its disk, its backups."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from django.conf import settings
from django.db import Error, connection, transaction

from buildlog.hosting.backups import database_check, drill, offsite
from buildlog.hosting.backups import status as backup_status
from buildlog.hosting.backups.warnings import warnings_here
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
    if damage := database_check.warning(settings.DATA):
        return Finding(damage, figures)
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
    drilled, sent = drill.read(settings.DATA).done_at, offsite.read(settings.DATA).made_at
    figures = {
        "age_h": _age(now, status.last_good_at, timedelta(hours=1)),
        "every_h": settings.BACKUP_HOURS,
        "size_bytes": status.last_good_size_bytes,
        "is_encrypted": bool(settings.BACKUP_PUBLIC_KEY),
        "restore_drill_age_d": _age(now, drilled, timedelta(days=1)),
    }
    if settings.OFFSITE:
        figures["offsite_age_h"] = _age(now, sent, timedelta(hours=1))
    return Finding(" ".join(warnings_here(now)), figures)


def _age(now: datetime, moment: datetime | None, unit: timedelta) -> float | None:
    return round((now - moment) / unit, 2) if moment is not None else None


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
