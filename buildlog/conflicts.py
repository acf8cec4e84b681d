"""When two write at one moment, or a server behind this one does not answer: nobody sees a failure of the program.

SQLite lets one writer in at a time. A database server lets many in, and stops one of two that would
wait for each other for ever, or breaks a rule only together; what it stopped is simply done again.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

from django.db import IntegrityError, InterfaceError, OperationalError, connection
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render

OVERTAKEN = {"40001", "40P01"}
"""SQLSTATE of serialization_failure and deadlock_detected (PostgreSQL, appendix A, class 40)."""
ATTEMPTS = 4
UPGRADE_LOCK = 7_346_120_511
"""Any number will do; every host of an installation uses this one."""
TRY_AGAIN_S = 5

log = logging.getLogger(__name__)
T = TypeVar("T")


def again_if_overtaken(work: Callable[[], T]) -> T:
    """Do the work; do it again when the database stopped it in favour of another's. It must be one transaction."""
    for _ in range(ATTEMPTS - 1):
        try:
            return work()
        except OperationalError as error:
            # Within a transaction of somebody else's nothing can be done again.
            if not _was_overtaken(error) or connection.in_atomic_block:
                raise
    return work()


def _was_overtaken(error: BaseException) -> bool:
    return getattr(error.__cause__, "sqlstate", None) in OVERTAKEN


@contextmanager
def alone_in_the_database() -> Iterator[None]:
    """Hosts that start at one moment bring the database up to date one after the other.

    On SQLite one machine owns the file, and nothing needs to be done.
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


class KindConflicts:
    """Middleware: the last net under every page and interface. What it catches was rolled back."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, error: Exception) -> HttpResponse | None:
        if isinstance(error, IntegrityError) or _was_overtaken(error):
            log.warning("Two wrote at one moment: %s", error)
            words = "Somebody else changed the same thing at this moment. Look at it, then send this again."
            return _answer(request, 409, "Nothing was stored", words)
        if isinstance(error, (OperationalError, InterfaceError)) or _is_of_the_file_store(error):
            log.error("What keeps the records or files does not answer: %s", error)
            words = "What keeps the records or the files does not answer just now. Nothing is lost; try again soon."
            return _answer(request, 503, "Not just now", words)
        return None


def _is_of_the_file_store(error: Exception) -> bool:
    """Whether the object store's client raised it; the client is installed only where it is used."""
    makers = {kind.__module__.partition(".")[0] for kind in type(error).__mro__}
    return bool(makers & {"botocore", "boto3", "s3transfer"})


def _answer(request: HttpRequest, status: int, heading: str, words: str) -> HttpResponse:
    if request.path_info.startswith("/api/"):
        answer: HttpResponse = JsonResponse({"detail": words}, status=status)
    else:
        answer = render(None, "not_now.html", {"heading": heading, "words": words}, status=status)
    if status == 503:
        answer["Retry-After"] = str(TRY_AGAIN_S)
    return answer
