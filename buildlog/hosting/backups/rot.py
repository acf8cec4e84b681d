"""Files that changed on the disk by themselves, and one file back from a backup.

A stored photo or recording is never written again under its name. So one whose hash differs from that in the last good
backup was damaged: by the disk, or by somebody's hand. Each backup reads every file anyway, and compares.
"""

from __future__ import annotations

import tempfile
import zipfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from django.core.files.base import File
from django.core.files.storage import Storage

from buildlog.hosting.backups import package
from buildlog.hosting.backups.package import NotABackup, Part

UPLOADS = "media/"


@dataclass(frozen=True)
class DamagedFile:
    """An upload that is not what it was: its name, the hash that it had, and the backup that has it whole."""

    name: str
    sha256: str
    backup: str


def damaged_files(
    parts: Iterable[Part], earlier: Iterable[Part], last_good: Path | None, known: Iterable[DamagedFile] = ()
) -> tuple[DamagedFile, ...]:
    """The uploads among a new backup's parts that are not what they were in the last good one, and those known before.

    `earlier` are the parts of the last good backup.

    One that is whole again, or is gone, is no longer listed.
    """
    hashes = {part.name.removeprefix(UPLOADS): part.sha256 for part in parts if part.name.startswith(UPLOADS)}
    # As they were before they were damaged: the last good backup may have them damaged already.
    whole = {file.name: file for file in known}
    for part in earlier:
        if part.name.startswith(UPLOADS):
            name = part.name.removeprefix(UPLOADS)
            whole.setdefault(name, DamagedFile(name, part.sha256, str(last_good)))
    return tuple(whole[name] for name in sorted(whole) if hashes.get(name, whole[name].sha256) != whole[name].sha256)


def in_words(files: tuple[DamagedFile, ...]) -> str:
    """A sentence for the owner, or "" where there is none."""
    if not files:
        return ""
    first = files[0]
    others = f", and {len(files) - 1} other{'s' if len(files) > 2 else ''}" if len(files) > 1 else ""
    return (
        f"A stored file has changed by itself on the disk: {first.name}{others}. Look at the disk, and bring it back "
        f"by manage.py restore {first.backup} --file {first.name}"
    )


def restore_file(backup: Path, name: str, storage: Storage) -> None:
    """Put one upload of a backup, which is a plain zip, in the place of the one that is stored now.

    The server may run meanwhile.

    Raises NotABackup with a sentence, where the backup is damaged or has no such file.
    """
    manifest = package.read(backup)
    part = next((part for part in manifest.parts if part.name == f"{UPLOADS}{name}"), None)
    if part is None:
        raise NotABackup(f"The backup has no file {name}. Names are as in its folder media, for example photos/….jpg.")
    with tempfile.TemporaryFile() as whole:
        with zipfile.ZipFile(backup) as packed:
            package.copy_part(packed, part, whole)
        whole.seek(0)
        storage.delete(name)
        stored = storage.save(name, File(whole, name=name))
    if stored != name:
        storage.delete(stored)
        raise NotABackup(f"{name} could not be stored under its own name.")
