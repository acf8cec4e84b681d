"""The settings in a backup: which of them it holds, and what becomes of them where they come back.

A backup says where the records and files of its installation were kept. Brought back as it stands, that would
connect a trial restore to the log it was taken from. So every installation keeps its own word on that.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

from buildlog.hosting import environment
from buildlog.hosting.backups import status as standing
from buildlog.hosting.backups.database import LIVE_NAME
from buildlog.hosting.backups.package import belongs
from buildlog.storage.durable_files import write_atomically

LARGEST_SETTING_BYTES = 1024 * 1024
SECRET_WORDS = ("SECRET", "KEY", "PASSWORD", "TOKEN", "DATABASE_URL")
PLACES = ("DATABASE_URL", "BUILDLOG_S3_", "BUILDLOG_BACKUP_DIR")
"""What these begin is where an installation keeps what it has."""


def settings_files(data: Path) -> list[Path]:
    """The files by which the installation in a data folder differs from others: its key, and its settings."""
    working = (LIVE_NAME, standing.NOTE)
    return sorted(
        path
        for path in data.iterdir()
        if path.is_file()
        and not path.name.startswith(working)
        and path.suffix != ".lock"
        and belongs(f"settings/{path.name}")
        and path.stat().st_size <= LARGEST_SETTING_BYTES
    )


def environment_told() -> dict[str, str]:
    """What was set by the environment; of secrets only that they were set."""
    return {
        name: "(not kept here)" if any(word in name for word in SECRET_WORDS) else value
        for name, value in sorted(os.environ.items())
        if name.startswith("BUILDLOG_") or name == "DATABASE_URL"
    }


def keep_own_places(came: Path, here: Path) -> list[str]:
    """Let a file of settings that came in a backup say of places what the file it replaces says, and nothing else.

    What it said itself stays in it as a comment. Returns the names of those lines.
    """
    lines, own = _lines(came), _lines(here)
    foreign = [line for line in lines if _is_of_a_place(line) and line not in own]
    kept = [f"# Where the backup was made: {line}" if line in foreign else line for line in lines]
    kept += [line for line in own if _is_of_a_place(line) and line not in lines]
    if kept != lines:
        write_atomically(came, "".join(f"{line}\n" for line in kept).encode(errors="surrogateescape"))
    return [_name(line) for line in foreign]


def problems(folder: Path) -> list[str]:
    """What this version does not take in the file of settings in a folder."""
    try:
        environment.read(folder, {})
    except environment.WrongSettings as error:
        return error.problems
    return []


def _lines(path: Path) -> list[str]:
    try:
        # Whatever was written there comes back as it was, also where it is no text.
        return path.read_text(encoding="utf-8-sig", errors="surrogateescape").splitlines()
    except FileNotFoundError:
        return []


def _name(line: str) -> str:
    """The name a line sets, also where it is written as a shell would read it, which the program does not."""
    return re.sub(r"^(export\s+)?[\"']?|[\"']?$", "", line.partition("=")[0].strip())


def _is_of_a_place(line: str) -> bool:
    return _name(line).startswith(PLACES)
