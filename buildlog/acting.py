"""Who is acting: the signed-in account of the request at hand, for records that keep who did what."""

from __future__ import annotations

from collections.abc import Callable
from contextvars import ContextVar
from typing import Any

from django.http import HttpRequest, HttpResponse

_request: ContextVar[HttpRequest | None] = ContextVar("request", default=None)


class ActingAccount:
    """Middleware; stands after the one that knows who is signed in."""

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
