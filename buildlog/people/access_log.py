"""The access log: one entry for each event, deleted after `AccessEvent.KEPT_FOR`."""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import logging
import unicodedata
from typing import Any

from django.conf import settings
from django.http import HttpRequest
from django.utils import timezone

from buildlog.people.client_address import client_address
from buildlog.people.models import AccessEvent, Account

logger = logging.getLogger(__name__)


def note(kind: str, request: HttpRequest | None, account: Account | None, **fields: Any) -> AccessEvent:
    """Write one event, and delete events older than `AccessEvent.KEPT_FOR`. With `BUILDLOG_LOG=json` it is also a line
    of the log, which the machine can send on: whoever breaks in here then cannot take it back.

    `by` is who did it, if that is not the account it happened to.
    """
    fields["detail"] = str(fields.get("detail", ""))[:200]
    event = AccessEvent.objects.create(kind=kind, account=account, address=address_of(request), **fields)
    whose = f"account {account.pk}" if account is not None else "nobody's account"
    by = f" by account {event.by.pk}" if event.by is not None else ""
    detail = "".join(letter if letter.isprintable() else " " for letter in event.detail)
    logger.info("access: %s, %s%s, %s%s", kind, whose, by, event.address or "this machine", detail and f": {detail}")
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
