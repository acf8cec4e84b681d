"""How long a sign-in lasts.

30 days without a visit, so that a week at a lake without a network signs nobody out; 90 days at most,
however often it is used. Unsent records on the field page stay on the phone in either case.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

from django.contrib.auth import SESSION_KEY, logout
from django.contrib.auth.models import update_last_login
from django.db.models import F
from django.http import HttpRequest, HttpResponse

from buildlog.people import open_sign_ins
from buildlog.people.models import Account
from buildlog.storage.full_disk import skip_when_full

LONGEST = timedelta(days=90)
SEEN_EVERY = timedelta(days=1)
BEGAN, SEEN = "signed_in_at", "seen_at"


class SessionLife:
    """Middleware. Place after AuthenticationMiddleware."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if SESSION_KEY in request.session:
            now = int(time.time())
            if now - request.session.setdefault(BEGAN, now) > LONGEST.total_seconds():
                logout(request)
            elif now - request.session.get(SEEN, 0) > SEEN_EVERY.total_seconds():
                # Once a day is enough to show that it is used; each write restarts the idle time.
                request.session[SEEN] = now
                open_sign_ins.note_seen(request)
            if SESSION_KEY in request.session:
                open_sign_ins.list_this(request)
        return self.get_response(request)


def begin(sender: Any, request: HttpRequest, user: Account, **_: Any) -> None:
    """Receiver of every sign-in, from any page."""
    request.session[BEGAN] = request.session[SEEN] = int(time.time())
    open_sign_ins.list_this(request)


def record_last_sign_in(sender: Any, user: Account, **signal: Any) -> None:
    """Store the time of a sign-in, as the framework does, but not on a full disk."""
    with skip_when_full("when somebody last signed in"):
        update_last_login(sender, user, **signal)


def ends_at(request: HttpRequest) -> datetime:
    """When this sign-in ends, however often it is used."""
    return datetime.fromtimestamp(request.session.get(BEGAN, time.time()), UTC) + LONGEST


def end_all(account: Account) -> None:
    """End every sign-in of an account, on every device."""
    Account.objects.filter(pk=account.pk).update(session_generation=F("session_generation") + 1)
    account.refresh_from_db(fields=["session_generation"])
