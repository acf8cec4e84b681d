"""The second factor: one-time codes of an authenticator app (RFC 6238), and recovery codes, both by django-otp.

Passkeys are left out: a WebAuthn library brings 24 MB with compiled code onto a small board, and browsers allow them
only at an HTTPS address with a name, which a log at home rarely has.

Recovery codes are random (120 bits) and stored as hashes. Keys of one-time codes stand in the database as they are,
because the server must compute with them.
"""

from __future__ import annotations

import base64
import hashlib
import secrets
import time
from collections.abc import Callable
from typing import Any

import segno
from django.conf import settings
from django.contrib.auth import SESSION_KEY
from django.db import transaction
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect
from django_otp.plugins.otp_static.models import StaticDevice, StaticToken
from django_otp.plugins.otp_totp.models import TOTPDevice

from buildlog.people.models import Account
from buildlog.people.reach import is_public
from buildlog.people.roles import Role

GIVEN = "second_factor"
"""In a sign-in that was made, or confirmed, with a code."""
WAITING = "waiting_for_code"
WAITS_FOR_S = 600
RECOVERY_CODES = 8
RECOVERY_BYTES = 15
STORED_LENGTH = 16
"""As many characters as the library's table holds: 80 bits of the hash."""
NAME = "app"
OPEN_PAGES = {"account", "one_time_codes", "sign_out", "health"}


def demanded_of() -> str:
    """Whose sign-in needs a code: "owners", "everybody" or "no"; the setting, or what the log's names say."""
    if settings.SECOND_FACTOR != "auto":
        return str(settings.SECOND_FACTOR)
    return "owners" if any(is_public(host) for host in settings.ALLOWED_HOSTS) else "no"


def is_demanded(account: Account) -> bool:
    whose = demanded_of()
    return whose == "everybody" or (whose == "owners" and account.role == Role.OWNER)


def is_set_up(account: Account) -> bool:
    return bool(TOTPDevice.objects.filter(user=account, confirmed=True).exists())


def begin(account: Account) -> TOTPDevice:
    """The key that is being set up: the same each time until it is confirmed."""
    device, _ = TOTPDevice.objects.get_or_create(user=account, confirmed=False, defaults={"name": NAME})
    return device


def picture(device: TOTPDevice) -> str:
    """The square that an authenticator app reads, as SVG; it holds nothing that was typed but the account's name."""
    square = segno.make(device.config_url, error="m")
    return str(square.svg_inline(scale=4, border=4, dark="#000", light="#fff", omitsize=False, title="Key"))


def key_in_groups(device: TOTPDevice) -> str:
    """The key for typing it into an app."""
    text = base64.b32encode(device.bin_key).decode().rstrip("=")
    return " ".join(text[at : at + 4] for at in range(0, len(text), 4))


@transaction.atomic
def confirm(account: Account, code: str) -> bool:
    """Use the new key from now on, if its code is right; an earlier one ends."""
    device = TOTPDevice.objects.select_for_update().filter(user=account, confirmed=False).first()
    if device is None or not device.verify_token(_digits(code)):
        return False
    TOTPDevice.objects.filter(user=account, confirmed=True).delete()
    device.confirmed = True
    device.save(update_fields=["confirmed"])
    return True


@transaction.atomic
def new_recovery_codes(account: Account) -> list[str]:
    """Codes that each open once, to be shown now: only their hashes are stored. Earlier ones end."""
    StaticDevice.objects.filter(user=account).delete()
    device = StaticDevice.objects.create(user=account, name="recovery")
    codes = [base64.b32encode(secrets.token_bytes(RECOVERY_BYTES)).decode() for _ in range(RECOVERY_CODES)]
    StaticToken.objects.bulk_create(StaticToken(device=device, token=_stored(code)) for code in codes)
    return ["-".join(code[at : at + 6] for at in range(0, len(code), 6)) for code in codes]


def recovery_codes_left(account: Account) -> int:
    return int(StaticToken.objects.filter(device__user=account).count())


def remove(account: Account) -> None:
    TOTPDevice.objects.filter(user=account).delete()
    StaticDevice.objects.filter(user=account).delete()


@transaction.atomic
def is_right_code(account: Account, code: str) -> bool:
    """Whether it is a code of the app, which then has been used and opens nothing again."""
    device = TOTPDevice.objects.select_for_update().filter(user=account, confirmed=True).first()
    if device is None:
        return False
    # Steps of 30 s before and after; from the clock of the phone as it was when a code was last taken.
    device.tolerance = 0 if settings.STRICT_CODES else 1
    return bool(device.verify_token(_digits(code)))


def is_recovery_code(text: str) -> bool:
    """Whether it has the form of one: nobody guesses 120 bits, so such a try has no limit."""
    return len(_letters(text)) == RECOVERY_BYTES * 8 // 5


def use_recovery_code(account: Account, text: str) -> bool:
    # One statement: of two tries at once only one removes it.
    removed, _ = StaticToken.objects.filter(device__user=account, token=_stored(_letters(text))).delete()
    return bool(removed)


def _digits(code: str) -> str:
    return "".join(character for character in code if character.isascii() and character.isdigit())


def _letters(text: str) -> str:
    return "".join(character for character in text.upper() if character.isascii() and character.isalnum())


def _stored(code: str) -> str:
    digest = hashlib.sha256(b"recovery code:" + code.encode()).digest()
    return base64.b32encode(digest).decode()[:STORED_LENGTH].lower()


def wait_for_code(request: HttpRequest, account: Account, following: str) -> None:
    """Note in the session that the password was right; nobody is signed in by it."""
    request.session.cycle_key()
    request.session[WAITING] = {
        "account": account.pk,
        "as": account.get_session_auth_hash(),
        "at": int(time.time()),
        "next": following,
    }


def waiting_account(request: HttpRequest) -> Account | None:
    """The account whose password was given in this session within the last ten minutes, if it still may come in."""
    waiting: dict[str, Any] = request.session.get(WAITING) or {}
    if not 0 <= time.time() - waiting.get("at", 0) <= WAITS_FOR_S:
        return None
    account = Account.objects.filter(pk=waiting["account"], is_active=True).first()
    # A new password, or an end to all sign-ins, meanwhile ends this one too.
    return account if account is not None and account.get_session_auth_hash() == waiting["as"] else None


class SecondFactorDemanded:
    """Middleware: leads whoever must have a second factor, and has none yet, to the page that sets it up.

    Place after AuthenticationMiddleware. A device's key is no sign-in, and needs no code.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_view(self, request: HttpRequest, view: Any, *_: Any) -> HttpResponse | None:
        if SESSION_KEY not in request.session or request.session.get(GIVEN):
            return None
        match = request.resolver_match
        if demanded_of() == "no" or (match is not None and match.url_name in OPEN_PAGES):
            return None
        is_api = hasattr(view, "cls")
        if not getattr(view, "login_required", True) and not is_api:
            return None
        if not isinstance(request.user, Account) or not is_demanded(request.user):
            return None
        if is_api:
            words = "This account needs one-time codes before it goes on: open Settings, Your account, One-time codes."
            return JsonResponse({"detail": words, "code": "second_factor"}, status=403)
        return redirect("one_time_codes")
