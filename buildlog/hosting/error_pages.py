"""Answers to errors in a page: nobody's input is lost, and the answer says what to do."""

from __future__ import annotations

import sqlite3
import sys
from typing import Any

from django.db import DataError, IntegrityError, InterfaceError, OperationalError
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.shortcuts import render

from buildlog.storage.conflicts import is_write_conflict
from buildlog.storage.full_disk import is_full
from buildlog.storage.stored_files import is_object_store_error

WORDS = {
    400: "Something in what was sent cannot be stored, such as a zero byte or a number that is far too large. Change "
    "it, then send it again.",
    409: "Somebody else changed the same thing at this moment, so this was not stored. Look at it, then send this "
    "again.",
    429: "More came from this account, key or address than the server takes at once, so this was not done. Nothing is "
    "lost; send it again in a moment.",
    503: "The server is too busy just now, or what keeps the records and files does not answer, so this was not "
    "stored. Nothing is lost; send it again in a minute.",
    507: "The disk of the server is full, so this was not stored. Nothing else was lost or changed. Make room there, "
    "then send it again.",
}
TO_READ = {
    400: "Something in this address cannot be read, such as a zero byte or a number that is far too large.",
    409: "Something was changed at the moment in which this page was made. Load it again.",
    429: WORDS[429],
    503: "The log is busy just now, or what keeps its records and files does not answer. Nothing was to be stored, and "
    "nothing is lost. Load it again in half a minute; if it stays so, /health/ says which part does not answer.",
    507: "The disk of the server is full, so this page cannot be made. Nothing was lost or changed. Make room there, "
    "then load it again.",
}
"""The same where nothing was to be stored."""


def by_program(request: HttpRequest) -> bool:
    """Whether a program asks, which reads JSON and no page."""
    return request.path_info.startswith("/api/")


def is_to_read(request: HttpRequest) -> bool:
    return request.method in ("GET", "HEAD")


def server_error(request: HttpRequest) -> HttpResponse:
    """Called while the error is being handled, so that what broke can be looked at."""
    status = _status_of(sys.exc_info()[1])
    if status in WORDS:
        response = _not_done(request, status)
    elif by_program(request):
        again = "Ask again later." if is_to_read(request) else "Nothing half-done was stored; send it again later."
        words = f"Something went wrong here. {again}"
        response = JsonResponse({"detail": words}, status=status)
    else:
        response = render(None, "500.html", status=status)
    if status == 503:
        response["Retry-After"] = "30"
        if is_to_read(request) and not by_program(request):
            response["Refresh"] = "30"
    return response


def too_many(request: HttpRequest, wait_s: int) -> HttpResponse:
    """The answer to somebody who asks too often."""
    if is_to_read(request) and not by_program(request):
        answer = render(None, "one_moment.html", {"wait_s": wait_s}, status=429)
        answer["Refresh"] = str(wait_s)
    else:
        answer = _not_done(request, 429)
    answer["Retry-After"] = str(wait_s)
    return answer


def _not_done(request: HttpRequest, status: int) -> HttpResponse:
    """The words of a status, with what was typed, if anything was."""
    words = (TO_READ if is_to_read(request) else WORDS)[status]
    if by_program(request):
        return JsonResponse({"detail": words}, status=status)
    if is_to_read(request):
        context = {"words": words, "is_busy": status == 503, "address": request.get_full_path()}
        return render(None, "not_shown.html", context, status=status)
    return render(None, "not_stored.html", {"words": words, **_typed(request)}, status=status)


def _typed(request: HttpRequest) -> dict[str, Any]:
    """The fields of a form, to be sent again from the error page: not every browser keeps them on going back."""
    if request.method != "POST" or not getattr(request, "csrf_processing_done", False):
        return {}  # Nobody knows yet whether it was a form of ours.
    fields = [(name, value) for name in request.POST for value in request.POST.getlist(name)]
    if any("password" in name for name, _ in fields):
        return {}
    return {
        "fields": [(name, value) for name, value in fields if name != "csrfmiddlewaretoken"],
        "files": [file.name for name in request.FILES for file in request.FILES.getlist(name)],
        "token": get_token(request),
        "address": request.get_full_path(),
    }


def _status_of(error: BaseException | None) -> int:
    """507: a full disk; 503: busy, or no answer from a database server or store; 409: a conflict; 400: the input
    cannot be stored; 500: an error of ours."""
    if is_full(error):
        return 507
    status = 500
    while error is not None:
        code = getattr(error, "sqlite_errorcode", None)
        if isinstance(error, IntegrityError) or is_write_conflict(error):
            status = 409
        elif isinstance(error, DataError):
            status = 400
        elif code is None and _does_not_answer(error):
            status = 503
        elif code is not None and code & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            return 503
        error = error.__cause__ or error.__context__
    return status


def _does_not_answer(error: BaseException) -> bool:
    """Whether a database server or an object store does not."""
    if isinstance(error, (OperationalError, InterfaceError)):
        # SQLite has no server: its own code, in the cause, says what it is.
        return not isinstance(error.__cause__, sqlite3.Error)
    return is_object_store_error(error)
