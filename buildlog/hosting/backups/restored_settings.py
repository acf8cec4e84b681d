"""The settings in a backup: which of them it holds, and which of them a restore brings back.

A backup says where the records and files of its installation were kept. Restored unchanged, those settings
would connect a trial restore to the log it was taken from. So every installation keeps its own settings of places.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

from buildlog.hosting import environment
from buildlog.hosting.backups import status
from buildlog.hosting.backups.database import LIVE_NAME
from buildlog.hosting.backups.package import is_part_name
from buildlog.storage.durable_files import write_atomically

LARGEST_SETTING_BYTES = 1024 * 1024
SECRET_WORDS = ("SECRET", "KEY", "PASSWORD", "TOKEN", "DATABASE_URL")
PLACES = ("DATABASE_URL", "BUILDLOG_S3_", "BUILDLOG_BACKUP_DIR", "BUILDLOG_OFFSITE")
"""Settings whose names begin so say where an installation keeps its records, files and backups."""


def settings_files(data: Path) -> list[Path]:
    """The files that belong to this installation alone: its key and its settings."""
    working = (LIVE_NAME, status.NOTE)
    return sorted(
        path
        for path in data.iterdir()
        if path.is_file()
        and not path.name.startswith(working)
        and path.suffix != ".lock"
        and is_part_name(f"settings/{path.name}")
        and path.stat().st_size <= LARGEST_SETTING_BYTES
    )


def environment_settings() -> dict[str, str]:
    """The settings made in the environment; of a secret only that it was set."""
    return {
        name: "(not kept here)" if any(word in name for word in SECRET_WORDS) else value
        for name, value in sorted(os.environ.items())
        if name.startswith("BUILDLOG_") or name == "DATABASE_URL"
    }


def keep_own_places(restored: Path, replaced: Path) -> list[str]:
    """Put the settings of places from the file being replaced into the file restored from a backup.

    The restored file's own settings of places stay in it as comments. Returns their names.
    """
    restored_lines, own_lines = _lines(restored), _lines(replaced)
    foreign = [line for line in restored_lines if _names_a_place(line) and line not in own_lines]
    merged = [f"# Where the backup was made: {line}" if line in foreign else line for line in restored_lines]
    merged += [line for line in own_lines if _names_a_place(line) and line not in restored_lines]
    if merged != restored_lines:
        write_atomically(restored, "".join(f"{line}\n" for line in merged).encode(errors="surrogateescape"))
    return [_name(line) for line in foreign]


def problems(folder: Path) -> list[str]:
    """What this version refuses in the file of settings in a folder."""
    try:
        environment.read(folder, {})
    except environment.WrongSettings as error:
        return error.problems
    return []


def _lines(path: Path) -> list[str]:
    try:
        # Bytes that are no text are written back unchanged.
        return path.read_text(encoding="utf-8-sig", errors="surrogateescape").splitlines()
    except FileNotFoundError:
        return []


def _name(line: str) -> str:
    """The name a line sets. Shell syntax (`export`, quotes) is recognised here, although the program refuses it."""
    return re.sub(r"^(export\s+)?[\"']?|[\"']?$", "", line.partition("=")[0].strip())


def _names_a_place(line: str) -> bool:
    return _name(line).startswith(PLACES)
