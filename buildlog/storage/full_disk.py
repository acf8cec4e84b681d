"""A full disk: how it is recognised, which writes are skipped then, and the space that is reserved for it.

Reading goes on. Writes that are not essential (that a browser was seen, that somebody signed in) are skipped. For
what a person wants stored, `hosting.error_pages` answers.
"""

from __future__ import annotations

import contextlib
import errno
import logging
import os
import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from django.conf import settings
from django.db import DatabaseError, transaction

from buildlog.storage.durable_files import chown_like_parent

FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
LEAST_BYTES = 256 * 1024
"""With less, SQLite may fail to open a database even for reading, because it creates files of its own beside it."""
RESERVE = ".reserve"
RESERVE_BYTES = 2 * 1024 * 1024
RESERVE_FROM_BYTES = 16 * 1024 * 1024
"""Nothing is reserved where less than this is free."""

logger = logging.getLogger(__name__)


def is_full(error: BaseException | None) -> bool:
    """Whether a full disk caused an error, or one that led to it."""
    while error is not None:
        if isinstance(error, OSError) and error.errno in FULL:
            return True
        if isinstance(error, FileNotFoundError) and "No usable temporary directory" in str(error):
            return True  # Python's message where it can write to no temporary directory
        if type(error).__name__ == "DiskFull":
            return True
        code = _sqlite_code(error)
        if code == sqlite3.SQLITE_FULL:
            return True
        if code in (sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN) and _free_bytes(settings.DATA) < LEAST_BYTES:
            return True
        error = error.__cause__ or error.__context__
    return False


def cannot_write(error: BaseException | None, *, or_is_busy: bool = False) -> bool:
    """Whether nothing can be written: the disk is full or read-only or, with `or_is_busy`, another process writes."""
    if is_full(error):
        return True
    codes = [sqlite3.SQLITE_READONLY, *([sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED] if or_is_busy else [])]
    while error is not None:
        if _sqlite_code(error) in codes:
            return True
        error = error.__cause__ or error.__context__
    return False


def _sqlite_code(error: BaseException) -> int:
    return getattr(error, "sqlite_errorcode", 0) & 0xFF


def _free_bytes(folder: Path) -> int:
    try:
        return shutil.disk_usage(folder).free
    except OSError:
        return LEAST_BYTES


def is_disk_full(folder: Path) -> bool:
    return _free_bytes(folder) < LEAST_BYTES


def sentence(folder: Path) -> str:
    return f"The disk of {folder} is full: {_free_bytes(folder) / 1e6:.1f} MB are free."


@contextlib.contextmanager
def skip_when_full(what: str, *, or_is_busy: bool = False) -> Iterator[None]:
    """Run writes that are not essential, and go on without them where nothing can be written."""
    try:
        with transaction.atomic():
            yield
    except (OSError, DatabaseError) as error:
        if not cannot_write(error, or_is_busy=or_is_busy):
            raise
        logger.warning("Nothing can be written, so this is skipped: %s.", what)


def reserve_disk_space(data: Path) -> None:
    """Reserve a little space, so that a server can start and serve reads where others have filled the disk."""
    reserve = data / RESERVE
    if reserve.exists() or _free_bytes(data) < RESERVE_FROM_BYTES:
        return
    try:
        with reserve.open("xb") as file:
            os.posix_fallocate(file.fileno(), 0, RESERVE_BYTES)
        chown_like_parent(reserve)
    except OSError:
        with contextlib.suppress(OSError):
            reserve.unlink()


def release_reserved_space(data: Path) -> bool:
    """Free the reserved space where the disk is full. True if there was any."""
    if not is_disk_full(data):
        return False
    with contextlib.suppress(OSError):
        (data / RESERVE).unlink()
        return True
    return False
