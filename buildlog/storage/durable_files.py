"""Files that are complete or absent, also after a power cut."""

from __future__ import annotations

import contextlib
import fcntl
import os
import secrets
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO

from django.core.files.base import File
from django.core.files.storage import FileSystemStorage
from django.utils.deconstruct import deconstructible


def sync_folder(folder: Path | str) -> None:
    """Flush a folder's entries to the disk, so that new and removed names survive a power cut."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def new_file(path: Path) -> BinaryIO:
    """A file that was not there before, open for writing, which only its owner may read."""
    return os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb")


@contextmanager
def replacing(path: Path) -> Iterator[BinaryIO]:
    """A file to be written within the block: it gets its name at the end, once it is whole and on the disk."""
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        with new_file(part) as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        chown_like_parent(part)
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)
    sync_folder(path.parent)


def write_atomically(path: Path, content: bytes) -> None:
    """Replace a small file; a reader sees the old content or the new, never a part."""
    with replacing(path) as file:
        file.write(content)


def chown_like_parent(path: Path, folder: Path | None = None) -> None:
    """Give a file that root wrote to the owner of its folder; otherwise the server could not use it."""
    if os.geteuid() == 0:
        owner = (folder or path.parent).stat()
        # Some file systems, such as those of memory sticks, have no owners.
        with contextlib.suppress(PermissionError):
            os.chown(path, owner.st_uid, owner.st_gid, follow_symlinks=False)


def read_or_create(path: Path, make: Callable[[], str]) -> str:
    """The content of a small file, which is created first where it is missing. Concurrent callers get the same content.

    Raises OSError.
    """
    if not os.path.lexists(path):
        with locked(path.with_name(f"{path.name}.lock"), wait=True):
            if not os.path.lexists(path):
                write_atomically(path, make().encode())
    return path.read_text().strip()


class InUse(RuntimeError):
    """Another process holds the lock."""


class CannotLock(OSError):
    """The lock file may not be written."""


@contextmanager
def locked(path: Path, *, shared: bool = False, wait: bool = False) -> Iterator[int]:
    """Hold a lock file while the block runs. The system releases it when the process dies, however that happens.

    Raises InUse when another process holds it and `wait` is false; CannotLock when the file cannot be written.
    """
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as error:
        raise CannotLock(
            error.errno, f"{path} cannot be written ({error.strerror}). Run this as the account that owns the folder"
        ) from None
    try:
        chown_like_parent(path)
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
    """Uploads on the disk: a file gets its name only once all of it is on the disk."""

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
                    # The file system has no hard links. The name was free a moment ago, and no two uploads share one.
                    os.rename(part, final)
                    break
        finally:
            part.unlink(missing_ok=True)
        sync_folder(final.parent)
        return name.replace("\\", "/")
