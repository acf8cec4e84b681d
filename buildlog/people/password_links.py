"""One-time links by which somebody who lost a password sets a new one."""

from __future__ import annotations

from typing import Any

from django.contrib.auth.tokens import PasswordResetTokenGenerator
from django.http import HttpRequest
from django.utils.encoding import force_bytes
from django.utils.http import urlsafe_base64_encode

from buildlog.people.absolute_urls import absolute_url
from buildlog.people.models import Account


class LinkTokens(PasswordResetTokenGenerator):
    """Signed over the account's state: ending its sign-ins or changing its rights invalidates its links."""

    key_salt = "buildlog.people.password_links"

    def _make_hash_value(self, user: Any, timestamp: int) -> str:
        state = super()._make_hash_value(user, timestamp)
        return f"{state}:{user.session_generation}:{user.role}:{user.is_active}"


tokens = LinkTokens()


def link_for(account: Account, *, request: HttpRequest | None = None, base: str = "") -> str:
    """A link that works for a day, once, and not after the next sign-in or a change to the account."""
    key = urlsafe_base64_encode(force_bytes(account.pk))
    return absolute_url("new_password", key, tokens.make_token(account), request=request, base=base)
