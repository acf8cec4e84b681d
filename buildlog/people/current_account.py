"""Who is acting: the signed-in account of the request at hand, for records that keep who did what."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any

from django.http import HttpRequest, HttpResponse

_request: ContextVar[HttpRequest | None] = ContextVar("request", default=None)
_somebody_else: ContextVar[bool] = ContextVar("somebody_else", default=False)


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


def device() -> Any:
    """The device whose key opened the request, or None where a person is signed in."""
    return getattr(_request.get(), "auth", None)


def maker_id() -> int | None:
    """Key of the account that makes records now; None where nobody knows who made them."""
    return None if _somebody_else.get() else getattr(account(), "pk", None)


@contextmanager
def made_by_somebody_else() -> Iterator[None]:
    """What is stored in this block was made elsewhere: whoever reads it in did not make it."""
    token = _somebody_else.set(True)
    try:
        yield
    finally:
        _somebody_else.reset(token)
