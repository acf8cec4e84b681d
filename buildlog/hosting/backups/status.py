"""How the backups stand: when the last good one was made, what became of the last try, and what to say of it."""

from __future__ import annotations

import contextlib
import json
import os
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from django.conf import settings

from buildlog.storage.durable_files import write_atomically

NOTE = "backup_standing.json"
UNSCHEDULED_LIMIT = timedelta(days=8)
"""Where the program makes no backups by itself, somebody else must: one a week, and a day's grace."""


@dataclass(frozen=True)
class Standing:
    """What the note in the data folder says; the times are moments in UTC."""

    since: datetime
    good_at: datetime | None = None
    good_file: str = ""
    good_size_bytes: int = 0
    elsewhere: bool = False
    """Whether the last good one was written to a place of somebody's choice, such as a stick that is taken along."""
    missing_files: int = 0
    tried_at: datetime | None = None
    trouble: str = ""


def read(folder: Path) -> Standing:
    try:
        told = json.loads((folder / NOTE).read_text())
        for name in ("since", "good_at", "tried_at"):
            told[name] = datetime.fromisoformat(told[name]) if told.get(name) else None
        return Standing(**told)
    except (OSError, ValueError, TypeError, AttributeError):
        # Without a note, the wait for the first backup counts from when the installation was made.
        return Standing(since=_made(folder))


def _made(folder: Path) -> datetime:
    try:
        return datetime.fromtimestamp((folder / "secret_key").stat().st_mtime, UTC)
    except OSError:
        return datetime.now(UTC)


def _write(folder: Path, standing: Standing) -> None:
    told: dict[str, Any] = asdict(standing)
    for name in ("since", "good_at", "tried_at"):
        told[name] = told[name].isoformat() if told[name] else None
    write_atomically(folder / NOTE, json.dumps(told, indent=1).encode())


def note_good(folder: Path, file: Path, missing_files: int, now: datetime, *, elsewhere: bool = False) -> None:
    _write(
        folder,
        replace(
            read(folder), good_at=now, good_file=str(file), good_size_bytes=file.stat().st_size, tried_at=now,
            elsewhere=elsewhere, missing_files=missing_files, trouble="",
        ),
    )  # fmt: skip


def note_trouble(folder: Path, trouble: str, now: datetime) -> None:
    # A full disk takes no note either; the age of the last good one then tells.
    with contextlib.suppress(OSError):
        _write(folder, replace(read(folder), tried_at=now, trouble=trouble))


def is_due(standing: Standing, hours: float, now: datetime) -> bool:
    """Whether the next backup should be made. After a failure it is tried again each hour."""
    if hours <= 0:
        return False
    interval = timedelta(hours=hours)
    # A moment that has not come yet was noted with a wrong clock, and proves nothing.
    good_for = standing.good_at is not None and timedelta(0) <= now - standing.good_at < interval
    if good_for:
        return False
    if standing.trouble and standing.tried_at is not None:
        return not timedelta(0) <= now - standing.tried_at < again_after(hours)
    return True


def again_after(hours: float) -> timedelta:
    """How long to wait after a backup that failed."""
    return timedelta(hours=min(hours, 1))


def warning(standing: Standing, hours: float, now: datetime) -> str:
    """A sentence for the owner, or "" while all is well."""
    if standing.trouble:
        return f"The last backup failed: {standing.trouble}"
    if standing.good_file and not standing.elsewhere and not os.path.exists(standing.good_file):
        return f"The last backup is gone, or may not be looked at: {standing.good_file}"
    limit = timedelta(hours=2 * hours) if hours > 0 else UNSCHEDULED_LIMIT
    if standing.good_at is None:
        return "No backup has been made yet." if now - standing.since > limit else ""
    age = now - standing.good_at
    if age < timedelta(days=-1):
        return "The last backup bears a moment that has not come yet. Is this machine's clock right?"
    return f"The last backup is {in_words(age)} old." if age > limit else ""


def in_words(age: timedelta) -> str:
    hours = age.total_seconds() / 3600
    if hours < 1:
        return f"{max(0, round(hours * 60))} min"
    return f"{hours:.0f} h" if hours < 48 else f"{hours / 24:.0f} days"


def warning_here(now: datetime | None = None) -> str:
    """The warning of this installation, for the owner's pages."""
    return warning(read(settings.DATA), settings.BACKUP_HOURS, now or datetime.now(UTC))
