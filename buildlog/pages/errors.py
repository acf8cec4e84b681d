"""What is answered when a page broke. Nobody's work is lost by it, and the answer says what to do."""

from __future__ import annotations

import errno
import sqlite3
import sys

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render

FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
WORDS = {
    507: "The disk of the server is full, so this was not stored. Nothing else was lost or changed. Make room there, "
    "then send it again.",
    503: "The server is too busy storing other things just now, so this was not stored. Send it again in a minute.",
}


def server_error(request: HttpRequest) -> HttpResponse:
    """Called while the error is being handled, so that what broke can be looked at."""
    status = _status_of(sys.exc_info()[1])
    if request.path_info.startswith("/api/"):
        words = WORDS.get(status, "Something went wrong here. Nothing half-done was stored; send it again later.")
        response: HttpResponse = JsonResponse({"detail": words}, status=status)
    elif status in WORDS:
        response = render(request, "507.html", {"words": WORDS[status]}, status=status)
    else:
        response = render(request, "500.html", status=status)
    if status == 503:
        response["Retry-After"] = "30"
    return response


def _status_of(error: BaseException | None) -> int:
    """507 where the disk is full, 503 where another kept the database to itself for too long, else 500."""
    while error is not None:
        if isinstance(error, OSError) and error.errno in FULL:
            return 507
        code = getattr(error, "sqlite_errorcode", None)
        if code == sqlite3.SQLITE_FULL or type(error).__name__ == "DiskFull":
            return 507
        if code is not None and code & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            return 503
        error = error.__cause__ or error.__context__
    return 500
