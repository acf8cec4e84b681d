"""The access log: one entry for each event, deleted after `AccessEvent.KEPT_FOR`."""

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


def note(kind: str, request: HttpRequest | None, account: Account | None, **fields: Any) -> AccessEvent:
    """Write one event, and delete events older than `AccessEvent.KEPT_FOR`.

    `by` is who did it, if that is not the account it happened to.
    """
    fields["detail"] = str(fields.get("detail", ""))[:200]
    event = AccessEvent.objects.create(kind=kind, account=account, address=address_of(request), **fields)
    AccessEvent.objects.filter(at__lt=timezone.now() - AccessEvent.KEPT_FOR).delete()
    return event


def address_of(request: HttpRequest | None) -> str:
    """The address of a request; for IPv6 its /64 network, which is what one household has."""
    text = client_address(request) if request is not None else ""
    try:
        address = ipaddress.ip_address(text)
    except ValueError:
        return ""
    if isinstance(address, ipaddress.IPv6Address):
        return str(ipaddress.ip_network((address, 64), strict=False))
    return str(address)


def hash_of_name(name: str) -> str:
    """A keyed hash of a typed name, so that tries under it are counted without storing it."""
    plain = unicodedata.normalize("NFKC", name).encode()
    return hmac.new(settings.SECRET_KEY.encode(), b"typed name:" + plain, hashlib.sha256).hexdigest()
