"""Browsers that an account signed in with before, known by a signed cookie that grants no access."""

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
    # Built on the session cookie's name, whose prefix tells browsers who may set it.
    return f"{settings.SESSION_COOKIE_NAME}_known"


def browser_of(request: HttpRequest) -> Browser:
    try:
        payload = signing.loads(request.COOKIES.get(cookie_name(), ""), salt=SALT, max_age=KEPT_FOR_S)
        return Browser(str(payload["nonce"])[:32], tuple(int(key) for key in payload["accounts"]))
    except (signing.BadSignature, KeyError, TypeError, ValueError):
        return Browser()


def note_left(response: HttpResponse) -> None:
    """Tell the browser's field page that somebody signed out here. Scripts read it; it says nothing else."""
    response.set_cookie(
        settings.LEFT_COOKIE_NAME,
        "1",
        max_age=KEPT_FOR_S,
        path=settings.SESSION_COOKIE_PATH,
        secure=settings.SESSION_COOKIE_SECURE,
        samesite="Lax",
    )


def remember(request: HttpRequest, response: HttpResponse, account_pk: int) -> None:
    """Let the browser prove later that this account signed in with it, and its field page show the log again."""
    response.delete_cookie(settings.LEFT_COOKIE_NAME, path=settings.SESSION_COOKIE_PATH, samesite="Lax")
    browser = browser_of(request)
    accounts = dict.fromkeys([account_pk, *browser.accounts])
    payload = {"nonce": browser.nonce or secrets.token_urlsafe(16), "accounts": list(accounts)[:MOST_ACCOUNTS]}
    response.set_cookie(
        cookie_name(),
        signing.dumps(payload, salt=SALT),
        max_age=KEPT_FOR_S,
        path=settings.SESSION_COOKIE_PATH,
        secure=settings.SESSION_COOKIE_SECURE,
        httponly=True,
        samesite="Lax",
    )
