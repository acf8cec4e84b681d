"""The status of the backups: when the last good one was made, how the last try ended, and what to warn of."""

from __future__ import annotations

import contextlib
import os
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from buildlog.hosting.backups import rot
from buildlog.hosting.backups.notes import read_note, write_note
from buildlog.hosting.backups.rot import DamagedFile

NOTE = "backup_standing.json"
TIMES = ("since", "good_at", "tried_at")
UNSCHEDULED_LIMIT = timedelta(days=8)
"""Where the program makes no backups by itself, somebody else must: one a week, and a day's grace."""


@dataclass(frozen=True)
class BackupStatus:
    """The note in the data folder; the times are in UTC."""

    since: datetime
    last_good_at: datetime | None = None
    last_good_file: str = ""
    last_good_size_bytes: int = 0
    elsewhere: bool = False
    """Whether the last good one was written to a place of somebody's choice, such as a USB stick."""
    missing_files: int = 0
    tried_at: datetime | None = None
    trouble: str = ""
    damaged_files: tuple[DamagedFile, ...] = ()
    """Uploads that are not what they were in an earlier backup, which stays until they are whole again."""


NAMES_IN_THE_NOTE = {
    "last_good_at": "good_at",
    "last_good_file": "good_file",
    "last_good_size_bytes": "good_size_bytes",
}
"""Where the note, which outlives a version of the program, has another name for a field."""


def read(folder: Path) -> BackupStatus:
    try:
        note = read_note(folder / NOTE, TIMES)
        note["damaged_files"] = tuple(DamagedFile(**file) for file in note.get("damaged_files", ()))
        fields = {in_the_note: field for field, in_the_note in NAMES_IN_THE_NOTE.items()}
        return BackupStatus(**{fields.get(name, name): value for name, value in note.items()})
    except (OSError, ValueError, TypeError, AttributeError):
        # Without a note, the wait for the first backup counts from when the installation was made.
        return BackupStatus(since=_installed_at(folder))


def _installed_at(folder: Path) -> datetime:
    try:
        return datetime.fromtimestamp((folder / "secret_key").stat().st_mtime, UTC)
    except OSError:
        return datetime.now(UTC)


def _write(folder: Path, status: BackupStatus) -> None:
    write_note(folder / NOTE, {NAMES_IN_THE_NOTE.get(name, name): value for name, value in asdict(status).items()})


def note_good(
    folder: Path,
    file: Path,
    missing_files: int,
    now: datetime,
    *,
    elsewhere: bool = False,
    damaged_files: tuple[DamagedFile, ...] = (),
) -> None:
    _write(
        folder,
        replace(
            read(folder),
            last_good_at=now,
            last_good_file=str(file),
            last_good_size_bytes=file.stat().st_size,
            tried_at=now,
            elsewhere=elsewhere,
            missing_files=missing_files,
            trouble="",
            damaged_files=damaged_files,
        ),
    )


def note_trouble(folder: Path, trouble: str, now: datetime) -> None:
    # A full disk has no room for the note either; then the age of the last good one shows it.
    with contextlib.suppress(OSError):
        _write(folder, replace(read(folder), tried_at=now, trouble=trouble))


def is_due(status: BackupStatus, hours: float, now: datetime) -> bool:
    """Whether the next backup should be made. After a failure it is tried again each hour."""
    if hours <= 0:
        return False
    interval = timedelta(hours=hours)
    # A time in the future was noted with a wrong clock, and proves nothing.
    is_recent = status.last_good_at is not None and timedelta(0) <= now - status.last_good_at < interval
    if is_recent:
        return False
    if status.trouble and status.tried_at is not None:
        return not timedelta(0) <= now - status.tried_at < again_after(hours)
    return True


def again_after(hours: float) -> timedelta:
    """How long to wait after a backup that failed."""
    return timedelta(hours=min(hours, 1))


def warning(status: BackupStatus, hours: float, now: datetime) -> str:
    """A sentence for the owner, or "" while all is well."""
    if status.damaged_files:
        return rot.in_words(status.damaged_files)
    if status.trouble:
        return f"The last backup failed: {status.trouble}"
    if status.last_good_file and not status.elsewhere and not os.path.exists(status.last_good_file):
        return f"The last backup is gone, or may not be looked at: {status.last_good_file}"
    limit = timedelta(hours=2 * hours) if hours > 0 else UNSCHEDULED_LIMIT
    if status.last_good_at is None:
        return "No backup has been made yet." if now - status.since > limit else ""
    age = now - status.last_good_at
    if age < timedelta(days=-1):
        return "The last backup carries a time in the future. Is this machine's clock right?"
    return f"The last backup is {in_words(age)} old." if age > limit else ""


def in_words(age: timedelta) -> str:
    hours = age.total_seconds() / 3600
    if hours < 1:
        return f"{max(0, round(hours * 60))} min"
    return f"{hours:.0f} h" if hours < 48 else f"{hours / 24:.0f} days"
