"""Readers of settings: each turns a setting's text into its value, or raises ValueError that says what it must be.

The readers for the places of records and files are in `stores`.
"""

from __future__ import annotations

import ipaddress
import re
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

Network = ipaddress.IPv4Network | ipaddress.IPv6Network


@dataclass(frozen=True)
class BaseUrl:
    """The address people open; falsy when none is set. `path` is "" or begins with a slash."""

    scheme: str = ""
    netloc: str = ""
    host: str = ""
    path: str = ""

    def __bool__(self) -> bool:
        return bool(self.scheme)

    def __str__(self) -> str:
        return f"{self.origin}{self.path}" if self else ""

    @property
    def origin(self) -> str:
        return f"{self.scheme}://{self.netloc}" if self else ""

    @property
    def is_https(self) -> bool:
        return self.scheme == "https"


def flag(text: str) -> bool:
    if text.lower() in ("1", "yes", "true", "on"):
        return True
    if text.lower() in ("0", "no", "false", "off"):
        return False
    raise ValueError("yes or no")


def time_zone(text: str) -> str:
    try:
        ZoneInfo(text)
    except (KeyError, ValueError, OSError):
        raise ValueError("a time zone") from None
    return text


def base_url(text: str) -> BaseUrl:
    kind = "a web address without name, password, query or fragment"
    if any(character < " " for character in text):
        raise ValueError(kind)  # urlsplit would ignore control characters
    try:
        parts = urlsplit(text)
        port = parts.port
        host = (parts.hostname or "").encode("idna").decode()
    except ValueError:
        raise ValueError(kind) from None
    path = parts.path.rstrip("/")
    extras = parts.query or parts.fragment or parts.username is not None or "?" in text or "#" in text
    if parts.scheme not in ("http", "https") or not host or extras:
        raise ValueError(kind)
    if not _is_host(host):
        raise ValueError("a web address with a host name or an IP address in it")
    if not re.fullmatch(r"(/[A-Za-z0-9_~-][A-Za-z0-9._~-]*)*", path):
        raise ValueError("a web address whose path has only letters, digits, dots, dashes and single slashes")
    named = f"[{host}]" if ":" in host else host
    # Browsers leave the scheme's own port out of the Origin they send.
    netloc = named if port in (None, {"http": 80, "https": 443}[parts.scheme]) else f"{named}:{port}"
    return BaseUrl(parts.scheme, netloc, named, path)


def host_list(text: str) -> list[str]:
    hosts = [host.strip().lower() for host in text.split(",") if host.strip()]
    if not hosts or not all(_is_host(host.strip("[]")) for host in hosts):
        raise ValueError("host names or addresses without a port, with commas between")
    return [f"[{host.strip('[]')}]" if ":" in host else host for host in hosts]


def networks(text: str) -> list[Network]:
    """Addresses or networks; "none" for an empty list."""
    if text.lower() == "none":
        return []
    kind = "IP addresses or networks with commas between, or none"
    try:
        parsed = [
            _without_ipv6_mapping(ipaddress.ip_network(address.strip()))
            for address in text.split(",")
            if address.strip()
        ]
    except ValueError:
        raise ValueError(kind) from None
    if not parsed:
        raise ValueError(kind)
    return parsed


def _without_ipv6_mapping(network: Network) -> Network:
    """An IPv4 network written in IPv6 as IPv4, which is how `client_address` reads addresses."""
    mapped = getattr(network.network_address, "ipv4_mapped", None)
    return ipaddress.ip_network((mapped, network.prefixlen - 96)) if mapped and network.prefixlen >= 96 else network


def is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host == "localhost"


HSTS_STEPS = {"no": 0, "hour": 3600, "day": 86_400, "month": 30 * 86_400, "year": 365 * 86_400}
WITH_SUBNAMES = "year-and-subnames"


class HstsSeconds(int):
    """How long browsers come by HTTPS only, to this name and, with `subnames`, to all below it."""

    subnames = False


def hsts_s(text: str) -> HstsSeconds:
    if text.lower() == WITH_SUBNAMES:
        everywhere = HstsSeconds(HSTS_STEPS["year"])
        everywhere.subnames = True
        return everywhere
    if text.lower() not in HSTS_STEPS:
        raise ValueError(f"one of {', '.join([*HSTS_STEPS, WITH_SUBNAMES])}")
    return HstsSeconds(HSTS_STEPS[text.lower()])


def folder(text: str) -> Path:
    path = Path(text).expanduser()
    if not path.is_absolute():
        raise ValueError("a folder, written from the root on")
    return path


def whole_number(text: str) -> int:
    if not re.fullmatch(r"\d{1,6}", text):
        raise ValueError("a whole number from 0 to 999999")
    return int(text)


def hours(text: str) -> float:
    """An interval in hours; 0 means never."""
    kind = "hours from 0.1 to 8760, or 0 for never"
    try:
        value = float(text)
    except ValueError:
        raise ValueError(kind) from None
    if not (value == 0 or 0.1 <= value <= 8760):
        raise ValueError(kind)
    return value


def public_key(text: str) -> str:
    """A public key of the age format, whose secret key opens backups."""
    import pyrage  # few processes need it

    if text.upper().startswith("AGE-SECRET-KEY-"):
        raise ValueError("the public key, which begins with age1; the secret one must not be kept on this machine")
    try:
        pyrage.x25519.Recipient.from_str(text)
    except pyrage.RecipientError:
        raise ValueError("a public key as manage.py backup_key makes it, which begins with age1") from None
    return text


def second_factor(text: str) -> str:
    if text.lower() not in ("auto", "owners", "everybody", "no"):
        raise ValueError("auto, owners, everybody or no")
    return text.lower()


def log_form(text: str) -> str:
    if text.lower() not in ("plain", "json"):
        raise ValueError("plain or json")
    return text.lower()


def _is_host(text: str) -> bool:
    try:
        ipaddress.ip_address(text)
    except ValueError:
        label = r"[a-z0-9_]([a-z0-9_-]{0,61}[a-z0-9_])?"
        return len(text) <= 253 and bool(re.fullmatch(rf"{label}(\.{label})*", text))
    return True
