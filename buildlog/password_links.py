"""One-time links by which somebody who lost a password sets a new one."""

from __future__ import annotations

from django.contrib.auth.tokens import default_token_generator
from django.urls import reverse
from django.utils.encoding import force_bytes
from django.utils.http import urlsafe_base64_encode

from buildlog.models import Account


def path_for(account: Account) -> str:
    """The path of a link that works for a day, once, and not after the next sign-in."""
    key = urlsafe_base64_encode(force_bytes(account.pk))
    return reverse("new_password", args=[key, default_token_generator.make_token(account)])
