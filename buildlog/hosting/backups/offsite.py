"""Copies of backups outside: the newest is sent after it was made, and old ones are removed there by the same rule."""

from __future__ import annotations

import contextlib
import secrets
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from django.conf import settings

from buildlog.hosting.backups import retention
from buildlog.hosting.backups.encryption import SUFFIX
from buildlog.hosting.backups.notes import read_note, write_note
from buildlog.hosting.backups.offsite_places import CannotReach, Place, place_of
from buildlog.hosting.backups.retention import BackupFile
from buildlog.hosting.backups.server import DUMP_SUFFIX
from buildlog.hosting.stores import Offsite
from buildlog.storage.durable_files import InUse, locked

NOTE = ".offsite.json"
LOCK = "offsite.lock"
TRY_AGAIN_AFTER = timedelta(hours=1)
GRACE = timedelta(hours=6)
"""A copy may come so much later than its backup before it is a matter to warn of."""


@dataclass(frozen=True)
class OffsiteStatus:
    """The note in the data folder about the place that `address` names; the times are in UTC."""

    address: str = ""
    sent_at: datetime | None = None
    sent_file: str = ""
    made_at: datetime | None = None
    """When the backup that was sent last had been made."""
    tried_at: datetime | None = None
    trouble: str = ""


def read(data: Path) -> OffsiteStatus:
    """What is known of the place that is set now; nothing, where none is, or the note is about another."""
    try:
        status = OffsiteStatus(**read_note(data / NOTE, ("sent_at", "made_at", "tried_at")))
    except (OSError, ValueError, TypeError):
        return OffsiteStatus()
    return status if settings.OFFSITE and status.address == str(settings.OFFSITE.address) else OffsiteStatus()


def _write(data: Path, status: OffsiteStatus) -> None:
    # A full disk has no room for the note either; then the age of the last copy shows it.
    with contextlib.suppress(OSError):
        write_note(data / NOTE, asdict(status))


def newest_here() -> BackupFile | None:
    """The newest backup of this log that may leave the machine: where backups are encrypted, only such a one."""
    for backup in retention.backups_in(settings.BACKUP_DIR):
        may_leave = backup.suffix.endswith(SUFFIX) or not settings.BACKUP_PUBLIC_KEY
        if backup.is_own and backup.suffix != DUMP_SUFFIX and may_leave:
            return backup
    return None


def is_due(data: Path, now: datetime) -> bool:
    """Whether the newest backup is not there yet. After a failure it is tried again each hour."""
    if not settings.OFFSITE:
        return False
    newest, status = newest_here(), read(data)
    if newest is None or newest.path.name == status.sent_file:
        return False
    if status.trouble and status.tried_at is not None:
        return not timedelta(0) <= now - status.tried_at < TRY_AGAIN_AFTER
    return True


def set_place() -> Offsite:
    """The place outside that is set. Raises CannotReach where none is."""
    offsite: Offsite | None = settings.OFFSITE
    if offsite is None:
        raise CannotReach("No place outside is set. For example BUILDLOG_OFFSITE=s3://firnlog-backups/sled")
    return offsite


def send(data: Path, now: datetime | None = None, place: Place | None = None) -> tuple[str, list[str]]:
    """Send the newest backup, unless it is there, and remove old ones there.

    Returns its name and those of the removed. Raises CannotReach with a sentence, which is noted too.
    """
    moment, offsite = now or datetime.now(UTC), set_place()
    try:
        with locked(data / LOCK):
            return _send(data, moment, place or place_of(offsite), str(offsite.address))
    except InUse:
        raise CannotReach("Another process is sending just now. Wait until it has ended.") from None
    except (CannotReach, OSError) as error:
        sentence = str(error)
        status = replace(read(data), address=str(offsite.address), tried_at=moment, trouble=sentence)
        _write(data, status)
        raise CannotReach(sentence) from None


def _send(data: Path, moment: datetime, outside: Place, address: str) -> tuple[str, list[str]]:
    newest = newest_here()
    if newest is None:
        raise CannotReach("There is no backup to send yet. Make one first: manage.py backup")
    name = newest.path.name
    sizes = outside.sizes_bytes()
    if sizes.get(name) != newest.size_bytes:
        outside.send(newest.path)
        sizes = outside.sizes_bytes()
        if sizes.get(name) != newest.size_bytes:
            raise CannotReach(f"{name} was sent, and is not there whole. Is there room?")
    removed = []
    for old in retention.to_remove(retention.backups_named(sizes, Path()), moment):
        if old.path.name != name:
            outside.remove(old.path.name)
            removed.append(old.path.name)
    status = OffsiteStatus(address, moment, name, newest.made_at, moment, "")
    _write(data, status)
    return name, removed


def try_place(place: Place, folder: Path) -> None:
    """Write, read back and remove a small file there. Raises CannotReach with a sentence."""
    token = secrets.token_hex(8)
    sample, back = folder / f"firnlog-trial-{token}", folder / f".back-{token}"
    try:
        sample.write_text(token)
        place.send(sample)
        place.fetch(sample.name, back)
        if back.read_text() != token or sample.name not in place.sizes_bytes():
            raise CannotReach("What was sent there did not come back as it was.")
        place.remove(sample.name)
    finally:
        sample.unlink(missing_ok=True)
        back.unlink(missing_ok=True)


def warning(data: Path, hours: float, now: datetime) -> str:
    """A sentence for the owner, or "" while all is well."""
    if not settings.OFFSITE:
        return ""
    status = read(data)
    if status.trouble:
        return f"The last backup could not be copied to {settings.OFFSITE.address}: {status.trouble}"
    limit = timedelta(hours=2 * hours) + GRACE if hours > 0 else timedelta(days=8)
    if status.made_at is not None and now - status.made_at > limit:
        return f"The last copy in {settings.OFFSITE.address} is of {status.made_at:%Y-%m-%d}. Run manage.py offsite"
    newest = newest_here()
    if status.made_at is None and newest is not None and now - newest.made_at > limit:
        return f"No backup has been copied to {settings.OFFSITE.address} yet. Run manage.py offsite"
    return ""
