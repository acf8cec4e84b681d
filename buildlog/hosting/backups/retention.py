"""Retention of backups: file names that carry time and installation, and the rule by which old backups are removed."""

from __future__ import annotations

import contextlib
import os
import re
import secrets
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from django.conf import settings

from buildlog.storage.durable_files import read_or_create

DAYS_KEPT = 7
WEEKS_KEPT = 8
BEFORE_UPDATE_KEPT = 3
NAME = re.compile(
    r"firnlog-(?P<moment>\d{4}-\d\d-\d\dT\d{6}Z)(?P<update>-before-update)?(?P<of>-of-[0-9a-f]{8})?(?:-(?P<number>\d+))?"
    r"(?P<suffix>\.zip|\.zip\.age|\.pgdump)"
)
MARK = ".installation"
MOMENT = "%Y-%m-%dT%H%M%SZ"


@dataclass(frozen=True)
class BackupFile:
    """One backup in the folder of backups."""

    path: Path
    made_at: datetime
    before_update: bool
    size_bytes: int = 0
    is_own: bool = True
    suffix: str = ".zip"


def installation() -> str:
    """The part of a backup's name that identifies this data folder; another log may be a restored copy of this one.

    It is in no backup: after a log has moved, its earlier backups are never removed.
    """
    return f"-of-{read_or_create(settings.DATA / MARK, lambda: secrets.token_hex(4))}"


def name_for(moment: datetime, *, before_update: bool = False, suffix: str = ".zip") -> str:
    written = moment.astimezone(UTC).strftime(MOMENT)
    return f"firnlog-{written}{'-before-update' * before_update}{installation()}{suffix}"


def free_name(folder: Path, moment: datetime, *, before_update: bool = False, suffix: str = ".zip") -> Path:
    """A name that no backup in the folder has yet; two can be made in one second."""
    name = name_for(moment, before_update=before_update, suffix=suffix)
    number, candidate = 2, folder / name
    while os.path.lexists(candidate):
        candidate, number = folder / f"{name.removesuffix(suffix)}-{number}{suffix}", number + 1
    return candidate


def backups_in(folder: Path) -> list[BackupFile]:
    """The backups in a folder, recognised by name, the newest first.

    An empty list where the folder does not exist or cannot be read.
    """
    sizes_bytes: dict[str, int] = {}
    try:
        for name in os.listdir(folder):
            with contextlib.suppress(OSError):  # Removed since it was listed.
                sizes_bytes[name] = (folder / name).stat().st_size
    except OSError:
        return []
    return backups_named(sizes_bytes, folder)


def backups_named(sizes_bytes: Mapping[str, int], folder: Path) -> list[BackupFile]:
    """Those of the files in a folder, here or in another place, that are backups by their names, the newest first."""
    dated: list[tuple[datetime, int, BackupFile]] = []
    try:
        own = installation()
    except OSError:
        own = ""
    for name, size in sizes_bytes.items():
        match = NAME.fullmatch(name)
        if not match:
            continue
        try:
            made_at = datetime.strptime(match["moment"], MOMENT).replace(tzinfo=UTC)
        except ValueError:
            continue  # Not a valid date.
        is_own = match["of"] in (None, own)
        backup = BackupFile(folder / name, made_at, bool(match["update"]), size, is_own, match["suffix"])
        # Of two backups made in one second, the later has a number in its name.
        dated.append((made_at, int(match["number"] or 1), backup))
    dated.sort(key=lambda entry: (entry[:2], entry[2].path.name), reverse=True)
    return [backup for *_, backup in dated]


def to_remove(backups: Iterable[BackupFile], now: datetime) -> list[BackupFile]:
    """The backups that no rule keeps.

    Kept are: all of the last 24 hours; the newest of each of the last 7 days that have one; the newest of each of
    the last 8 weeks (from Monday, as in ISO 8601) that have one; the last 3 made before an update. Days and weeks
    without a backup do not count, so a machine that was off all summer loses nothing. A backup dated in the future
    was made with a wrong clock: it is neither removed nor counted. The same holds for backups of another log.
    """
    known = [backup for backup in backups if backup.is_own and backup.made_at <= now + timedelta(days=1)]
    regular = [backup for backup in known if not backup.before_update]
    staying = {backup.path for backup in known if now - backup.made_at < timedelta(hours=24)}
    staying |= {backup.path for backup in [backup for backup in known if backup.before_update][:BEFORE_UPDATE_KEPT]}
    kinds: tuple[tuple[int, Callable[[BackupFile], object]], ...] = (
        (DAYS_KEPT, lambda backup: backup.made_at.date()),
        (WEEKS_KEPT, lambda backup: backup.made_at.isocalendar()[:2]),
    )
    for periods, period_of in kinds:
        newest: dict[object, BackupFile] = {}
        for backup in regular:
            newest.setdefault(period_of(backup), backup)
        staying |= {backup.path for backup in list(newest.values())[:periods]}
    return [backup for backup in known if backup.path not in staying]
