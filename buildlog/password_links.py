"""One-time links by which somebody who lost a password sets a new one."""

from __future__ import annotations

from django.contrib.auth.tokens import default_token_generator
from django.http import HttpRequest
from django.utils.encoding import force_bytes
from django.utils.http import urlsafe_base64_encode

from buildlog.addresses import whole_address
from buildlog.models import Account


def link_for(account: Account, *, asked: HttpRequest | None = None, base: str = "") -> str:
    """A link that works for a day, once, and not after the next sign-in."""
    key = urlsafe_base64_encode(force_bytes(account.pk))
    return whole_address("new_password", key, default_token_generator.make_token(account), asked=asked, base=base)
