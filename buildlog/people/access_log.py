"""The access log: written where something happens to access, and kept for a declared time."""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import unicodedata
from typing import Any

from django.conf import settings
from django.http import HttpRequest
from django.utils import timezone

from buildlog.people.client_address import client_address
from buildlog.people.models import AccessEvent, Account


def note(kind: str, request: HttpRequest | None, account: Account | None, **told: Any) -> AccessEvent:
    """Write one event down, and let those go that are older than they are kept.

    `by` is who did it, where that is somebody else than the account it happened to.
    """
    told["detail"] = str(told.get("detail", ""))[:200]
    made = AccessEvent.objects.create(kind=kind, account=account, address=address_of(request), **told)
    AccessEvent.objects.filter(at__lt=timezone.now() - AccessEvent.KEPT_FOR).delete()
    return made


def address_of(request: HttpRequest | None) -> str:
    """Where a request comes from; of a long address the network only, which is what one household has."""
    text = client_address(request) if request is not None else ""
    try:
        found = ipaddress.ip_address(text)
    except ValueError:
        return ""
    if isinstance(found, ipaddress.IPv6Address):
        return str(ipaddress.ip_network((found, 64), strict=False))
    return str(found)


def hash_of_name(name: str) -> str:
    """A typed name, so that tries under it can be counted without keeping it."""
    plain = unicodedata.normalize("NFKC", name).encode()
    return hmac.new(settings.SECRET_KEY.encode(), b"typed name:" + plain, hashlib.sha256).hexdigest()
