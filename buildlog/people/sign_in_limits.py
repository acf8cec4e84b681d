"""How many wrong passwords are accepted before somebody has to wait.

Counted in the database, so that all workers count together. A browser that this account signed in with
before has a count of its own: nobody can lock the others of a household out by guessing beside them
(after OWASP, "Slow Down Online Guessing Attacks with Device Cookies").

django-axes 8.3.1 was tried in its place, by its settings and its own handler, on `tests/people/test_sign_in.py`. It
has one number and one time for all ways of counting where five are needed here (by address, by name and by day fail),
and counts after the password was looked at: of 24 guesses that 12 made at once it looked at 11, where five are
allowed and this looks at five, and the right password still comes through after them. It stores typed names, which
can be passwords, as they are. It would take a handler of our own, which is this module.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db import DatabaseError, transaction
from django.db.models import Q
from django.forms import BaseForm
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from buildlog.people import second_factor
from buildlog.people.access_log import address_of, hash_of_name, note
from buildlog.people.known_browsers import browser_of
from buildlog.people.models import AccessEvent, Account
from buildlog.storage.full_disk import cannot_write, skip_when_full

Kind = AccessEvent.Kind


@dataclass(frozen=True)
class Limit:
    most: int
    within: timedelta


BY_KNOWN_BROWSER = Limit(10, timedelta(minutes=15))
BY_KNOWN_BROWSER_A_DAY = Limit(100, timedelta(hours=24))
BY_NAME_AND_ADDRESS = Limit(5, timedelta(minutes=15))
BY_ADDRESS = Limit(30, timedelta(minutes=15))
BY_NAME = Limit(100, timedelta(hours=24))
"""NIST SP 800-63B-4, section 3.2.2: no more than 100 failed attempts in a row on one account."""
CODES = Limit(5, timedelta(minutes=15))
CODES_A_DAY = Limit(50, timedelta(hours=24))
UNWRITTEN = Limit(5, timedelta(minutes=15))
"""For all clients of one process together, while no try can be written to the database."""

_unwritten: list[float] = []
"""Times of the wrong tries that could not be written, in seconds of the monotonic clock."""


@dataclass
class Try:
    """One try at a password. `wait_s` is 0 when the password may be checked."""

    event: AccessEvent
    wait_s: int = 0
    unwritten_at: float | None = None
    """When it was made, if it could not be written to the database."""

    def succeeded(self, account: Account) -> None:
        if self._is_unwritten():
            return
        self.event.kind, self.event.account = Kind.SIGNED_IN, account
        with skip_when_full("that a try at a password was right"):
            self.event.save(update_fields=["kind", "account"])

    def was_right(self) -> None:
        """For an account that is signed in already: a right password leaves no entry."""
        if not self._is_unwritten():
            self.event.delete()

    def _is_unwritten(self) -> bool:
        """Whether it could not be written; if so, it no longer counts as a wrong try."""
        if self.unwritten_at is None:
            return False
        if self.unwritten_at in _unwritten:
            _unwritten.remove(self.unwritten_at)
        return True


def begin(request: HttpRequest, name: str) -> Try:
    """Store the try as a wrong one, and return it with the time to wait.

    It counts before the password is checked, so that concurrent tries count each other.
    """
    account = Account.objects.filter(username=name[:150]).first()
    browser = browser_of(request)
    browser_nonce = browser.nonce if account is not None and account.pk in browser.accounts else ""
    hashed = hash_of_name(name)
    try:
        with transaction.atomic():
            event = note(Kind.WRONG, request, account, name_hash=hashed, known_browser=browser_nonce)
    except DatabaseError as error:
        if not cannot_write(error):
            raise
        # On a full disk people can still sign in to read; tries stored before still count.
        event = AccessEvent(kind=Kind.WRONG, address=address_of(request), name_hash=hashed, known_browser=browser_nonce)
    address, same_name = event.address, Q(name_hash=hashed)
    if browser_nonce:
        # Only somebody who knew the password can have signed in with this browser, so a success restarts the count.
        by_browser = same_name & Q(known_browser=browser_nonce)
        waits = [
            _wait(event, BY_KNOWN_BROWSER, by_browser, since_success=True),
            _wait(event, BY_KNOWN_BROWSER_A_DAY, by_browser, since_success=True),
        ]
    else:
        unknown = Q(known_browser="")
        waits = [
            _wait(event, BY_NAME_AND_ADDRESS, same_name & unknown & Q(address=address), since_success=True),
            _wait(event, BY_ADDRESS, unknown & Q(address=address)),
        ]
        if account is None or not second_factor.is_set_up(account):
            # With a second factor a password that was guessed opens nothing: guesses at its name lock nobody out.
            waits.append(_wait(event, BY_NAME, same_name & unknown))
    longest = max(waits)
    if event.pk is None:
        return _unwritten_try(event, longest)
    if longest:
        _turn_away(event)
    return Try(event, longest)


def with_wait(response: HttpResponse, *forms: BaseForm) -> HttpResponse:
    """An answer that says 429 and how long to wait, where one of its forms was refused for too many tries."""
    for form in forms:
        for errors in form.errors.as_data().values() if form.is_bound else ():
            for error in errors:
                if error.code == "too_many" and error.params:
                    response.status_code = 429
                    response["Retry-After"] = str(error.params["wait_s"])
    return response


def begin_code(request: HttpRequest, account: Account) -> Try:
    """As `begin`, for a one-time code of an account whose password was right.

    Counted apart from passwords: no guess at a name keeps a second factor out. A known browser has its own count.
    """
    browser = browser_of(request)
    nonce = browser.nonce if account.pk in browser.accounts else ""
    event = note(Kind.WRONG_CODE, request, account, known_browser=nonce)
    same = Q(account=account, known_browser=nonce)
    waits = [_wait(event, CODES, same, since_success=True), _wait(event, CODES_A_DAY, same)]
    if max(waits):
        event.delete()
    return Try(event, max(waits))


def own_password(request: HttpRequest, password: str) -> str:
    """The password of the account that is signed in, said again. Raises ValidationError; wrong ones are counted."""
    account: Any = request.user
    attempt = begin(request, account.get_username())
    if attempt.wait_s:
        raise ValidationError(sentence(attempt.wait_s), code="too_many", params={"wait_s": attempt.wait_s})
    if not account.check_password(password):
        raise ValidationError("This is not your password. Type it again.")
    attempt.was_right()
    return password


def _unwritten_try(event: AccessEvent, wait_s: int) -> Try:
    now, within_s = time.monotonic(), UNWRITTEN.within.total_seconds()
    _unwritten[:] = [tried_at for tried_at in _unwritten if now - tried_at < within_s]
    if len(_unwritten) >= UNWRITTEN.most:
        wait_s = max(wait_s, math.ceil(_unwritten[0] + within_s - now))
    if not wait_s:
        _unwritten.append(now)
    return Try(event, wait_s, unwritten_at=now)


def _wait(event: AccessEvent, limit: Limit, condition: Q, since_success: bool = False) -> int:
    """Seconds until the oldest of the wrong tries that fill the limit is out of its time."""
    now = timezone.now()
    since = now - limit.within
    if since_success:
        successes = AccessEvent.objects.filter(condition, kind=Kind.SIGNED_IN, at__gt=since)
        since = successes.values_list("at", flat=True).first() or since
    tries: Any = AccessEvent.objects.filter(condition, kind=event.kind, at__gt=since).exclude(pk=event.pk)
    times: list[datetime] = list(tries.values_list("at", flat=True)[: limit.most])
    if len(times) < limit.most:
        return 0
    return max(1, math.ceil((times[-1] + limit.within - now).total_seconds()))


def _turn_away(event: AccessEvent) -> None:
    """A try that had to wait does not lengthen the wait; one entry in the log covers all tries from one address."""
    since = event.at - BY_NAME_AND_ADDRESS.within
    is_logged = AccessEvent.objects.filter(kind=Kind.TURNED_AWAY, address=event.address, at__gt=since).exists()
    with skip_when_full("that a try at a password was turned away"):
        if is_logged:
            event.delete()
        else:
            event.kind = Kind.TURNED_AWAY
            event.save(update_fields=["kind"])


def sentence_for_codes(wait_s: int) -> str:
    wait = _minutes_in_words(wait_s)
    return f"There were too many wrong codes. Wait {wait}, or take a recovery code: these always open."


def _minutes_in_words(wait_s: int) -> str:
    minutes = math.ceil(wait_s / 60)
    words = f"{minutes} minutes" if minutes > 1 else "a minute"
    return f"{math.ceil(minutes / 60)} hours" if minutes > 90 else words


def sentence(wait_s: int) -> str:
    return (
        f"There were too many wrong tries. Wait {_minutes_in_words(wait_s)}, then try again. Whoever looks after the "
        "machine this runs on can make you a link for a new password at once."
    )
