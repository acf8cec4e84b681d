"""A disk that takes nothing more: how it is told from other trouble, what is left out then, and the room kept for it.

Reading goes on. What would only be good to have written (that a browser was seen, that somebody signed in) is left
out, and what a person wants stored is answered by `pages.errors`.
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

from buildlog.storage.durable_files import as_the_folder_is_owned

FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
LEAST_BYTES = 256 * 1024
"""With less, SQLite cannot be relied on to open a database, not even to read it: it makes files of its own beside."""
RESERVE = ".reserve"
RESERVE_BYTES = 2 * 1024 * 1024
RESERVE_FROM_BYTES = 16 * 1024 * 1024
"""Nothing is put by where this much is not free."""

logger = logging.getLogger(__name__)


def is_full(error: BaseException | None) -> bool:
    """Whether a full disk is what an error, or one that led to it, comes from."""
    while error is not None:
        if isinstance(error, OSError) and error.errno in FULL:
            return True
        if isinstance(error, FileNotFoundError) and "No usable temporary directory" in str(error):
            return True  # Python's own words where it could write nothing into any of them
        if type(error).__name__ == "DiskFull":
            return True
        code = _sqlite_code(error)
        if code == sqlite3.SQLITE_FULL:
            return True
        if code in (sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN) and _free_bytes(settings.DATA) < LEAST_BYTES:
            return True
        error = error.__cause__ or error.__context__
    return False


def takes_nothing(error: BaseException | None, *, or_is_busy: bool = False) -> bool:
    """Whether an error says that nothing can be written: the disk is full or may only be read, or others write."""
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


def has_no_room(folder: Path) -> bool:
    return _free_bytes(folder) < LEAST_BYTES


def sentence(folder: Path) -> str:
    return f"The disk of {folder} is full: {_free_bytes(folder) / 1e6:.1f} MB are free."


@contextlib.contextmanager
def left_out_when_full(what: str, *, or_is_busy: bool = False) -> Iterator[None]:
    """Write what is good to have, and go on without it where nothing can be written."""
    try:
        with transaction.atomic():
            yield
    except (OSError, DatabaseError) as error:
        if not takes_nothing(error, or_is_busy=or_is_busy):
            raise
        logger.warning("Nothing can be written, so this is left out: %s.", what)


def put_room_by(data: Path) -> None:
    """Keep a little room on the disk, so that a server can start and be read where others have filled it."""
    reserve = data / RESERVE
    if reserve.exists() or _free_bytes(data) < RESERVE_FROM_BYTES:
        return
    try:
        with reserve.open("xb") as file:
            os.posix_fallocate(file.fileno(), 0, RESERVE_BYTES)
        as_the_folder_is_owned(reserve)
    except OSError:
        with contextlib.suppress(OSError):
            reserve.unlink()


def use_room_put_by(data: Path) -> bool:
    """Let go of that room where the disk is full. True if there was some."""
    if not has_no_room(data):
        return False
    with contextlib.suppress(OSError):
        (data / RESERVE).unlink()
        return True
    return False
