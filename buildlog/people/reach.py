"""Whether a host name is reachable from outside the house."""

from __future__ import annotations

import ipaddress

LOCAL_ENDINGS = (".local", ".lan", ".home.arpa", ".internal", ".localhost", ".test", ".example", ".invalid")


def is_public(host: str) -> bool:
    try:
        return ipaddress.ip_address(host.strip("[]")).is_global
    except ValueError:
        return "." in host and not host.endswith(LOCAL_ENDINGS)
