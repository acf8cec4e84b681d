"""When two write at one moment.

SQLite lets one writer in at a time. A database server lets many in, and stops one of two that would
wait for each other for ever, or breaks a rule only together; what it stopped is simply done again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

from django.db import OperationalError, connection

OVERTAKEN = {"40001", "40P01"}
"""SQLSTATE of serialization_failure and deadlock_detected (PostgreSQL, appendix A, class 40)."""
ATTEMPTS = 4
UPGRADE_LOCK = 7_346_120_511
"""Any number will do; every host of an installation uses this one."""

T = TypeVar("T")


def again_if_overtaken(work: Callable[[], T]) -> T:
    """Do the work; do it again when the database stopped it in favour of another's. It must be one transaction."""
    for _ in range(ATTEMPTS - 1):
        try:
            return work()
        except OperationalError as error:
            # Within a transaction of somebody else's nothing can be done again.
            if not was_overtaken(error) or connection.in_atomic_block:
                raise
    return work()


def was_overtaken(error: BaseException) -> bool:
    """Whether the database stopped one of two that would have waited for each other."""
    return getattr(error.__cause__, "sqlstate", None) in OVERTAKEN


@contextmanager
def alone_in_the_database() -> Iterator[None]:
    """Hosts that start at one moment bring the database up to date one after the other.

    On SQLite one machine owns the file; whoever calls this holds a lock of that machine besides.
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
