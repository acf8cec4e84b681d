"""Conflicts between concurrent writers.

SQLite lets one writer in at a time. A database server lets many in, and aborts one of two transactions that
would deadlock or break a rule together. An aborted transaction is run again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

from django.db import OperationalError, connection

CONFLICT_SQLSTATES = {"40001", "40P01"}
"""SQLSTATE of serialization_failure and deadlock_detected (PostgreSQL, appendix A, class 40)."""
ATTEMPTS = 4
UPGRADE_LOCK = 7_346_120_511
"""Key of the advisory lock: any number, the same on every host of an installation."""

T = TypeVar("T")


def retry_on_conflict(work: Callable[[], T]) -> T:
    """Run one transaction, and run it again when the database aborted it because of a conflict."""
    for _ in range(ATTEMPTS - 1):
        try:
            return work()
        except OperationalError as error:
            # Inside an outer transaction this part cannot be run again by itself.
            if not is_write_conflict(error) or connection.in_atomic_block:
                raise
    return work()


def is_write_conflict(error: BaseException) -> bool:
    """Whether the database aborted a transaction because it conflicted with another one."""
    return getattr(error.__cause__, "sqlstate", None) in CONFLICT_SQLSTATES


@contextmanager
def database_upgrade_lock() -> Iterator[None]:
    """Make hosts that start at the same time migrate the database one after the other.

    On SQLite one machine owns the file; the caller also holds a lock file on that machine.
    """
    if connection.vendor != "postgresql":
        yield
        return
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_lock(%s)", [UPGRADE_LOCK])
    try:
        yield
    finally:
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_unlock(%s)", [UPGRADE_LOCK])
