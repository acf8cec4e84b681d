"""Files that are there whole, also after the power was cut, or not at all."""

from __future__ import annotations

import contextlib
import fcntl
import os
import secrets
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from django.core.files.base import File
from django.core.files.storage import FileSystemStorage
from django.utils.deconstruct import deconstructible


def sync_folder(folder: Path | str) -> None:
    """Make names that were given or taken in a folder last through a power cut."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def write_whole(path: Path, content: bytes) -> None:
    """Put a small file in the place of another; a reader sees one or the other, never a half."""
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        as_the_folder_is_owned(part)
        os.replace(part, path)
    except OSError:
        part.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)


def as_the_folder_is_owned(path: Path, folder: Path | None = None) -> None:
    """What root writes into another account's folder belongs to that account, or the server cannot use it."""
    if os.geteuid() == 0:
        owner = (folder or path.parent).stat()
        # Some disks, such as a memory stick's, know no owners.
        with contextlib.suppress(PermissionError):
            os.chown(path, owner.st_uid, owner.st_gid, follow_symlinks=False)


def made_once(path: Path, make: Callable[[], str]) -> str:
    """What a small file holds; where there is none yet, what is made for it now. Two that come at one moment get one.

    Raises OSError.
    """
    if not os.path.lexists(path):
        with locked(path.with_name(f"{path.name}.lock"), wait=True):
            if not os.path.lexists(path):
                write_whole(path, make().encode())
    return path.read_text().strip()


class InUse(RuntimeError):
    """Another process holds the lock."""


class CannotLock(OSError):
    """The lock file may not be written."""


@contextmanager
def locked(path: Path, *, shared: bool = False, wait: bool = False) -> Iterator[int]:
    """Hold a lock file while the block runs. The system lets go of it when the process dies, however that happens.

    Raises InUse when another process holds it, unless told to wait until that one lets go; CannotLock.
    """
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as error:
        raise CannotLock(
            error.errno, f"{path} cannot be written ({error.strerror}). Run this as the account that owns the folder"
        ) from None
    try:
        as_the_folder_is_owned(path)
        try:
            at_once = 0 if wait else fcntl.LOCK_NB
            fcntl.flock(descriptor, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | at_once)
        except BlockingIOError:
            raise InUse(str(path)) from None
        yield descriptor
    finally:
        os.close(descriptor)


@deconstructible(path="buildlog.storage.durable_files.DurableStorage")
class DurableStorage(FileSystemStorage):
    """Uploads on the disk: under their name once all of them has reached it, and never a part of one."""

    def _save(self, name: str, content: File[Any]) -> str:
        final = Path(self.path(name))
        final.parent.mkdir(parents=True, exist_ok=True)
        part = final.with_name(f".{final.name}.{secrets.token_hex(4)}.part")
        try:
            with part.open("xb") as file:
                for chunk in content.chunks():
                    file.write(chunk)
                file.flush()
                os.fsync(file.fileno())
            if self.file_permissions_mode is not None:
                part.chmod(self.file_permissions_mode)
            while True:
                try:
                    os.link(part, final)
                    break
                except FileExistsError:
                    name = self.get_available_name(name)
                    final = Path(self.path(name))
                except PermissionError:
                    # Disks without hard links. The name was free a moment ago, and no two uploads share one.
                    os.rename(part, final)
                    break
        finally:
            part.unlink(missing_ok=True)
        sync_folder(final.parent)
        return name.replace("\\", "/")
