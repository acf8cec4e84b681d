"""Which backups stay: names that carry the moment and whose they are, and the rule by which old ones go."""

from __future__ import annotations

import os
import re
import secrets
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from django.conf import settings

from buildlog.storage.durable_files import made_once

DAYS_KEPT = 7
WEEKS_KEPT = 8
BEFORE_UPDATE_KEPT = 3
NAME = re.compile(
    r"firnlog-(?P<moment>\d{4}-\d\d-\d\dT\d{6}Z)(?P<update>-before-update)?(?P<of>-of-[0-9a-f]{8})?(?:-(?P<number>\d+))?"
    r"\.(?:zip|pgdump)"
)
MARK = ".installation"
MOMENT = "%Y-%m-%dT%H%M%SZ"


@dataclass(frozen=True)
class Kept:
    """One backup in the folder of backups."""

    path: Path
    made_at: datetime
    before_update: bool
    size_bytes: int = 0
    is_own: bool = True


def installation() -> str:
    """What tells the backups of this data folder from those of another, whose log may be a restored copy of this one.

    It is in no backup: where a log has moved, those of before are left alone.
    """
    return f"-of-{made_once(settings.DATA / MARK, lambda: secrets.token_hex(4))}"


def name_for(moment: datetime, *, before_update: bool = False, suffix: str = ".zip") -> str:
    written = moment.astimezone(UTC).strftime(MOMENT)
    return f"firnlog-{written}{'-before-update' * before_update}{installation()}{suffix}"


def free_name(folder: Path, moment: datetime, *, before_update: bool = False, suffix: str = ".zip") -> Path:
    """A name that no backup in the folder has yet; two can be made in one second."""
    wanted = folder / name_for(moment, before_update=before_update, suffix=suffix)
    number, found = 2, wanted
    while os.path.lexists(found):
        found, number = wanted.with_name(f"{wanted.stem}-{number}{suffix}"), number + 1
    return found


def backups_in(folder: Path) -> list[Kept]:
    """The backups in a folder that carry our names, the newest first. Other files are not ours to judge.

    Of a folder that is not there, or may not be looked into, there are none.
    """
    found: list[tuple[datetime, int, Kept]] = []
    try:
        names = os.listdir(folder)
    except OSError:
        return []
    try:
        own = installation()
    except OSError:
        own = ""
    for name in names:
        match = NAME.fullmatch(name)
        if not match:
            continue
        try:
            made_at = datetime.strptime(match["moment"], MOMENT).replace(tzinfo=UTC)
            size = (folder / name).stat().st_size
        except (ValueError, OSError):
            continue  # No moment of any calendar, or removed since it was listed.
        one = Kept(folder / name, made_at, bool(match["update"]), size, match["of"] in (None, own))
        # Two of one second: the later one's name was taken, and got a number.
        found.append((made_at, int(match["number"] or 1), one))
    return [one for *_, one in sorted(found, key=lambda one: (one[:2], one[2].path.name), reverse=True)]


def to_remove(backups: Iterable[Kept], now: datetime) -> list[Kept]:
    """Those that no rule keeps.

    What stays: all of the last 24 hours; the newest of each of the last 7 days that have one; the newest of each of
    the last 8 weeks (from Monday, as in ISO 8601) that have one; the last 3 made before an update. Days and weeks
    without a backup do not count, so a machine that was off all summer loses nothing. What bears a moment that has
    not come yet was made with a wrong clock: it is left alone, and keeps no other from staying. So is what another
    log put into the same folder.
    """
    known = [one for one in backups if one.is_own and one.made_at <= now + timedelta(days=1)]
    regular = [one for one in known if not one.before_update]
    staying = {one.path for one in known if now - one.made_at < timedelta(hours=24)}
    staying |= {one.path for one in [one for one in known if one.before_update][:BEFORE_UPDATE_KEPT]}
    kinds: tuple[tuple[int, Callable[[Kept], object]], ...] = (
        (DAYS_KEPT, lambda kept: kept.made_at.date()),
        (WEEKS_KEPT, lambda kept: kept.made_at.isocalendar()[:2]),
    )
    for periods, period_of in kinds:
        newest: dict[object, Kept] = {}
        for one in regular:
            newest.setdefault(period_of(one), one)
        staying |= {one.path for one in list(newest.values())[:periods]}
    return [one for one in known if one.path not in staying]
