"""Browsers that somebody signed in with before, known by a signed cookie that opens nothing."""

from __future__ import annotations

import secrets
from dataclasses import dataclass

from django.conf import settings
from django.core import signing
from django.http import HttpRequest, HttpResponse

SALT = "buildlog.people.known_browsers"
KEPT_FOR_S = 365 * 24 * 3600
MOST_ACCOUNTS = 10


@dataclass(frozen=True)
class Browser:
    nonce: str = ""
    accounts: tuple[int, ...] = ()


def cookie_name() -> str:
    # Beside the session's, whose name tells browsers by its beginning who may set it.
    return f"{settings.SESSION_COOKIE_NAME}_known"


def browser_of(request: HttpRequest) -> Browser:
    try:
        told = signing.loads(request.COOKIES.get(cookie_name(), ""), salt=SALT, max_age=KEPT_FOR_S)
        return Browser(str(told["nonce"])[:32], tuple(int(one) for one in told["accounts"]))
    except (signing.BadSignature, KeyError, TypeError, ValueError):
        return Browser()


def remember(request: HttpRequest, response: HttpResponse, account_pk: int) -> None:
    """Let the browser prove later that this account signed in with it."""
    known = browser_of(request)
    accounts = dict.fromkeys([account_pk, *known.accounts])
    told = {"nonce": known.nonce or secrets.token_urlsafe(16), "accounts": list(accounts)[:MOST_ACCOUNTS]}
    response.set_cookie(
        cookie_name(),
        signing.dumps(told, salt=SALT),
        max_age=KEPT_FOR_S,
        path=settings.SESSION_COOKIE_PATH,
        secure=settings.SESSION_COOKIE_SECURE,
        httponly=True,
        samesite="Lax",
    )
