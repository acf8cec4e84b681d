"""Which backups stay: names that carry the moment, and the rule by which old ones go."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

DAYS_KEPT = 7
WEEKS_KEPT = 8
BEFORE_UPDATE_KEPT = 3
NAME = re.compile(r"firnlog-(\d{4}-\d\d-\d\dT\d{6}Z)(-before-update)?(?:-\d+)?\.(?:zip|pgdump)")
MOMENT = "%Y-%m-%dT%H%M%SZ"


@dataclass(frozen=True)
class Kept:
    """One backup in the folder of backups."""

    path: Path
    made_at: datetime
    before_update: bool
    size_bytes: int = 0


def name_for(moment: datetime, *, before_update: bool = False, suffix: str = ".zip") -> str:
    return f"firnlog-{moment.astimezone(UTC).strftime(MOMENT)}{'-before-update' * before_update}{suffix}"


def free_name(folder: Path, moment: datetime, *, before_update: bool = False, suffix: str = ".zip") -> Path:
    """A name that no backup in the folder has yet; two can be made in one second."""
    wanted = folder / name_for(moment, before_update=before_update, suffix=suffix)
    number, found = 2, wanted
    while found.exists():
        found, number = wanted.with_name(f"{wanted.stem}-{number}{suffix}"), number + 1
    return found


def backups_in(folder: Path) -> list[Kept]:
    """The backups in a folder that carry our names, the newest first. Other files are not ours to judge."""
    found = []
    for path in folder.glob("firnlog-*") if folder.is_dir() else ():
        match = NAME.fullmatch(path.name)
        if not match:
            continue
        try:
            made_at = datetime.strptime(match[1], MOMENT).replace(tzinfo=UTC)
            found.append(Kept(path, made_at, bool(match[2]), path.stat().st_size))
        except (ValueError, FileNotFoundError):
            continue  # No moment of any calendar, or removed since it was listed.
    return sorted(found, key=lambda one: (one.made_at, one.path.name), reverse=True)


def to_remove(backups: Iterable[Kept], now: datetime) -> list[Kept]:
    """Those that no rule keeps.

    What stays: all of the last 24 hours; the newest of each of the last 7 days that have one; the newest of each of
    the last 8 weeks (from Monday, as in ISO 8601) that have one; the last 3 made before an update. Days and weeks
    without a backup do not count, so a machine that was off all summer loses nothing. What bears a moment that has
    not come yet was made with a wrong clock: it is left alone, and keeps no other from staying.
    """
    known = [one for one in backups if one.made_at <= now + timedelta(days=1)]
    regular = [one for one in known if not one.before_update]
    staying = {one.path for one in known if now - one.made_at < timedelta(hours=24)}
    staying |= {one.path for one in [one for one in known if one.before_update][:BEFORE_UPDATE_KEPT]}
    for periods, period_of in (
        (DAYS_KEPT, lambda one: one.made_at.date()),
        (WEEKS_KEPT, lambda one: one.made_at.isocalendar()[:2]),
    ):
        newest: dict[object, Kept] = {}
        for one in regular:
            newest.setdefault(period_of(one), one)
        staying |= {one.path for one in list(newest.values())[:periods]}
    return [one for one in known if one.path not in staying]
