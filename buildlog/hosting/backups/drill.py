"""A trial restore, each month by itself: a backup is unpacked beside, brought up to date, counted and compared.

Where backups are copied to a place outside, the newest there is fetched and tried, because a copy that cannot be
fetched is none. What runs is not touched.
"""

from __future__ import annotations

import contextlib
import secrets
import shutil
import sqlite3
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from django.conf import settings

from buildlog.hosting.backups import encryption, making, restoring, retention, status
from buildlog.hosting.backups.database import LIVE_NAME, Database
from buildlog.hosting.backups.notes import read_note, write_note
from buildlog.hosting.backups.offsite_places import CannotReach, Place, place_of
from buildlog.hosting.backups.package import NotABackup
from buildlog.hosting.backups.server import DUMP_SUFFIX
from buildlog.hosting.backups.swap import RestoreFailed
from buildlog.storage.durable_files import InUse, locked

NOTE = ".restore_drill.json"
LOCK = "drill.lock"
FOLDER = ".drill-"
EVERY = timedelta(days=30)
OVERDUE_AFTER = timedelta(days=45)
TRY_AGAIN_AFTER = timedelta(days=1)


class DrillFailed(RuntimeError):
    """The backup could not be restored on trial; the message is a sentence for people."""


@dataclass(frozen=True)
class DrillStatus:
    """The note in the data folder; the times are in UTC."""

    done_at: datetime | None = None
    """When a backup was last restored without any difference."""
    file: str = ""
    made_at: datetime | None = None
    from_outside: bool = False
    record_count: int = 0
    file_count: int = 0
    seconds: float = 0.0
    tried_at: datetime | None = None
    trouble: str = ""


def read(data: Path) -> DrillStatus:
    try:
        return DrillStatus(**read_note(data / NOTE, ("done_at", "made_at", "tried_at")))
    except (OSError, ValueError, TypeError):
        return DrillStatus()


def _write(data: Path, drill: DrillStatus) -> None:
    with contextlib.suppress(OSError):
        write_note(data / NOTE, asdict(drill))


def is_due(data: Path, now: datetime) -> bool:
    """Once a month, from the first backup on. After a failure it is tried again each day."""
    if status.read(data).last_good_at is None:
        return False
    drill = read(data)
    if drill.trouble and drill.tried_at is not None:
        return not timedelta(0) <= now - drill.tried_at < TRY_AGAIN_AFTER
    # A time in the future was noted with a wrong clock, and proves nothing.
    return drill.done_at is None or not timedelta(0) <= now - drill.done_at < EVERY


def carry_out(data: Path, now: datetime | None = None, place: Place | None = None) -> DrillStatus:
    """Restore the newest backup beside, compare, and note the outcome. Raises DrillFailed with a sentence."""
    moment, began = now or datetime.now(UTC), time.perf_counter()
    try:
        with locked(data / LOCK):
            for stale in data.glob(f"{FOLDER}*"):
                shutil.rmtree(stale, ignore_errors=True)  # Left by a drill that was killed.
            with _newest(data, place) as (file, name, is_outside):
                made_at, record_count, file_count = _restore_beside(file, data)
    except InUse:
        raise DrillFailed("Another trial restore is going on. Wait until it has ended.") from None
    except (NotABackup, RestoreFailed, CannotReach, OSError, sqlite3.Error) as error:
        sentence = making.in_a_sentence(error).removesuffix(" Your data are as they were.")
        _write(data, replace(read(data), tried_at=moment, trouble=sentence))
        raise DrillFailed(sentence) from None
    drill = DrillStatus(
        done_at=moment,
        file=name,
        made_at=made_at,
        from_outside=is_outside,
        record_count=record_count,
        file_count=file_count,
        seconds=round(time.perf_counter() - began, 1),
        tried_at=moment,
    )
    _write(data, drill)
    return drill


@contextlib.contextmanager
def _newest(data: Path, place: Place | None) -> Iterator[tuple[Path, str, bool]]:
    """The newest backup of this log: its file, its name, and whether it was fetched from outside."""
    if not settings.OFFSITE:
        for backup in retention.backups_in(settings.BACKUP_DIR):
            if backup.is_own and backup.suffix != DUMP_SUFFIX:
                yield backup.path, backup.path.name, False
                return
        # The last one may have been written to a place of somebody's choice.
        last = Path(status.read(data).last_good_file)
        if not last.is_file():
            raise DrillFailed("There is no backup to restore on trial yet.")
        yield last, last.name, False
        return
    outside = place or place_of(settings.OFFSITE)
    sizes = outside.sizes_bytes()
    newest = next((backup for backup in retention.backups_named(sizes, Path()) if backup.is_own), None)
    if newest is None:
        raise CannotReach(f"There is no backup in {settings.OFFSITE.address}")
    if shutil.disk_usage(data).free < 1.2 * newest.size_bytes:
        raise RestoreFailed(f"To fetch the backup takes {newest.size_bytes / 1e6:.0f} MB, and less is free")
    fetched = data / f"{FOLDER}{secrets.token_hex(4)}"
    fetched.mkdir(mode=0o700)
    try:
        outside.fetch(newest.path.name, fetched / newest.path.name)
        yield fetched / newest.path.name, newest.path.name, True
    finally:
        shutil.rmtree(fetched, ignore_errors=True)


def _restore_beside(file: Path, data: Path) -> tuple[datetime | None, int, int]:
    """When it was made, and how many records and files came back. Raises what restoring raises."""
    staged = data / f"{FOLDER}{secrets.token_hex(4)}"
    with encryption.readable(file, data) as plain:
        manifest = restoring.check(plain)
        restoring.refuse_without_room(manifest, data)
        try:
            staged.mkdir(mode=0o700)
            # Compares the counts of every table with those noted when it was made, and every file's hash.
            restoring.prepare(plain, manifest, staged)
            database = Database(staged / LIVE_NAME)
            record_count = sum(database.counts().values())
            files = {
                str(path.relative_to(staged / "media")) for path in (staged / "media").rglob("*") if path.is_file()
            }
            missing = database.file_names() - files - set(manifest.missing_files)
            if missing:
                raise NotABackup(f"{len(missing)} files that its records name are not in it, such as {min(missing)}")
        finally:
            shutil.rmtree(staged, ignore_errors=True)
    try:
        made_at = datetime.fromisoformat(manifest.made_at)
    except ValueError:
        made_at = None
    return made_at, record_count, len(files)


def warning(data: Path, now: datetime) -> str:
    """A sentence for the owner, or "" while all is well."""
    drill = read(data)
    if drill.trouble:
        return f"The newest backup could not be restored on trial: {drill.trouble}"
    if drill.done_at is not None and now - drill.done_at > OVERDUE_AFTER:
        return f"The last trial restore was {(now - drill.done_at).days} days ago. Run manage.py restore --drill"
    return ""
