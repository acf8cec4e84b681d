"""The client's address: from the connection, and from a proxy's headers only if the proxy is trusted.

A proxy is trusted when its address is in BUILDLOG_TRUSTED_PROXIES. Where that is not set, it is
loopback if there is a base URL, and nobody if there is none. Each proxy adds the address it was called
from at the end of X-Forwarded-For, so the list is read from its end: the first address that is no
trusted proxy's is the client's. What comes before it was written by the client and is ignored.
"""

from __future__ import annotations

import ipaddress

from django.conf import settings
from django.http import HttpRequest

Address = ipaddress.IPv4Address | ipaddress.IPv6Address


def client_address(request: HttpRequest) -> str:
    """The client's IP address, normalised; "" for a local socket, which has none."""
    address = _address(request.META.get("REMOTE_ADDR", ""))
    if not _is_trusted(address):
        return str(address or "")
    for text in reversed(request.META.get("HTTP_X_FORWARDED_FOR", "").split(",")):
        previous = _address(text)
        if previous is None:
            break
        address = previous
        if not _is_trusted(address):
            break
    return str(address or "")


def comes_from_trusted_proxy(request: HttpRequest) -> bool:
    return _is_trusted(_address(request.META.get("REMOTE_ADDR", "")))


def _address(text: str) -> Address | None:
    try:
        address = ipaddress.ip_address(text.strip())
    except ValueError:
        return None
    return getattr(address, "ipv4_mapped", None) or address


def _is_trusted(address: Address | None) -> bool:
    # Without an address the request came through a local socket.
    address = address or ipaddress.IPv4Address("127.0.0.1")
    return any(address in network for network in settings.TRUSTED_PROXIES)
