"""The signed-in account of the current request, for records that store who made or changed them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any

from django.http import HttpRequest, HttpResponse

FIELD_PAGE_HEADER = "X-Firnlog-Account"
"""Sent by the field page with each record that it sends later: the account that wrote the record."""

_request: ContextVar[HttpRequest | None] = ContextVar("request", default=None)
_is_importing: ContextVar[bool] = ContextVar("is_importing", default=False)


class CurrentAccount:
    """Middleware. Place after AuthenticationMiddleware."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        token = _request.set(request)
        try:
            return self.get_response(request)
        finally:
            _request.reset(token)


def account() -> Any:
    """The account, or None outside of a request, as in a command."""
    request = _request.get()
    user = getattr(request, "user", None)
    return user if user is not None and user.is_authenticated else None


def device() -> Any:
    """The device whose key opened the request, or None where a person is signed in."""
    return getattr(_request.get(), "auth", None)


def source() -> str:
    """From where records are changed now: "form", "phone", "key" of a device, "api", "file", or "command"."""
    request = _request.get()
    if _is_importing.get():
        return "file"
    if request is None:
        return "command"
    if getattr(request, "auth", None) is not None:
        return "key"
    if not request.path.startswith("/api/"):
        return "form"
    return "phone" if FIELD_PAGE_HEADER in request.headers else "api"


def maker_id() -> int | None:
    """Key of the account that makes records now; None if unknown."""
    return None if _is_importing.get() else getattr(account(), "pk", None)


@contextmanager
def importing_records() -> Iterator[None]:
    """Store imported records in this block: the account that imports them is not their maker."""
    token = _is_importing.set(True)
    try:
        yield
    finally:
        _is_importing.reset(token)
