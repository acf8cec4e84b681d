"""The sign-ins of an account that are open: where and since when, and an end to one of them."""

from __future__ import annotations

import re

from django.contrib.auth import HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.models import Session
from django.http import HttpRequest
from django.utils import timezone

from buildlog.people.access_log import address_of
from buildlog.people.models import Account, OpenSignIn
from buildlog.storage.full_disk import skip_when_full

LISTED = "listed_as"
BROWSERS = (
    ("Edg/", "Edge"),
    ("OPR/", "Opera"),
    ("SamsungBrowser/", "Samsung Internet"),
    ("Firefox/", "Firefox"),
    ("FxiOS/", "Firefox"),
    ("Chrome/", "Chrome"),
    ("CriOS/", "Chrome"),
    ("Safari/", "Safari"),
)
SYSTEMS = (
    ("iPhone", "iPhone"),
    ("iPad", "iPad"),
    ("Android", "Android"),
    ("Windows", "Windows"),
    ("Macintosh", "Mac"),
    ("CrOS", "ChromeOS"),
    ("Linux", "Linux"),
)


def browser_in_words(user_agent: str) -> str:
    """Such as "Firefox, Android"; what it says of itself, which anybody can choose."""
    browser = next((name for mark, name in BROWSERS if mark in user_agent), "")
    system = next((name for mark, name in SYSTEMS if mark in user_agent), "")
    words = ", ".join(word for word in (browser, system) if word)
    return words or re.sub(r"[^\w ./-]", "", user_agent)[:30] or "unknown"


def list_this(request: HttpRequest) -> None:
    """Note the sign-in of a request, when it is made and when it has got a new key. Otherwise nothing is read here."""
    key = request.session.session_key
    if key is None or len(key) > 40 or request.session.get(LISTED) == key:
        return  # A key of more characters is in its cookie, while nothing can be written.
    account_key = request.session[SESSION_KEY]
    with skip_when_full("where somebody is signed in", or_is_busy=True):
        fields = {
            "account_id": int(account_key),
            "seen_at": timezone.now(),
            "address": address_of(request),
            "browser": browser_in_words(request.headers.get("User-Agent", ""))[:60],
        }
        before = request.session.get(LISTED)
        # A new password gives the sign-in a new key.
        known = OpenSignIn.objects.filter(session_key=before).update(session_key=key, **fields) if before else 0
        if not known:
            OpenSignIn.objects.update_or_create(session_key=key, defaults=fields)
        request.session[LISTED] = key


def note_seen(request: HttpRequest) -> None:
    with skip_when_full("when somebody was last here", or_is_busy=True):
        OpenSignIn.objects.filter(session_key=request.session.session_key).update(
            seen_at=timezone.now(), address=address_of(request)
        )


def of(account: Account) -> list[OpenSignIn]:
    """Those that still open something, the last used first; others are forgotten."""
    rows = list(account.open_sign_ins.all())
    sessions = Session.objects.filter(session_key__in=[row.session_key for row in rows], expire_date__gt=timezone.now())
    current = account.get_session_auth_hash()
    live = {
        session.session_key for session in sessions if session.get_decoded().get(HASH_SESSION_KEY, current) == current
    }
    gone = [row.pk for row in rows if row.session_key not in live]
    if gone:
        with skip_when_full("sign-ins that ended"):
            OpenSignIn.objects.filter(pk__in=gone).delete()
    return [row for row in rows if row.session_key in live]


def end(account: Account, pk: int) -> OpenSignIn | None:
    """End one sign-in of an account, at once on all workers; None where it is no sign-in of it."""
    row = account.open_sign_ins.filter(pk=pk).first()
    if row is not None:
        Session.objects.filter(session_key=row.session_key).delete()
        row.delete()
    return row
