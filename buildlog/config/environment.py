"""What an installation may set, by the environment or by `settings.env` in its data folder.

Each setting is declared once, in SETTINGS: how its text is read, what it is when nothing is set, and
an example. The file holds NAME=value lines under the same names, so that one table describes both and
systemd or a container can read the same file; where both set a name, the environment wins. Whatever is
wrong stops the start, all of it said at once.
"""

from __future__ import annotations

import difflib
import ipaddress
import os
import re
import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from django.core.exceptions import ImproperlyConfigured

from buildlog.config import stores
from buildlog.durable_files import made_once

PROJECT = Path(__file__).resolve().parents[2]
FILE = "settings.env"
# Read by the tests only; an installation passes over them.
OF_THE_TESTS = {"BUILDLOG_SKIPS_FAIL"}

Network = ipaddress.IPv4Network | ipaddress.IPv6Network


class WrongSettings(ImproperlyConfigured):
    """Every problem found, each naming its setting, what is wrong and an example."""

    def __init__(self, problems: list[str]) -> None:
        self.problems = problems
        heading = "A setting is wrong:" if len(problems) == 1 else f"{len(problems)} settings are wrong:"
        super().__init__("\n  - ".join([heading, *problems]))


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


# Readers: from what was written to what it means; a ValueError says what it must be.


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
    if any(sign < " " for sign in text):
        raise ValueError(kind)  # what reads addresses would pass over them
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
    """Addresses or networks; "none" for nobody."""
    if text.lower() == "none":
        return []
    kind = "IP addresses or networks with commas between, or none"
    try:
        found = [_as_it_arrives(ipaddress.ip_network(one.strip())) for one in text.split(",") if one.strip()]
    except ValueError:
        raise ValueError(kind) from None
    if not found:
        raise ValueError(kind)
    return found


def _as_it_arrives(network: Network) -> Network:
    """An IPv4 network written in IPv6 as IPv4, which is how `client_address` reads addresses."""
    mapped = getattr(network.network_address, "ipv4_mapped", None)
    return ipaddress.ip_network((mapped, network.prefixlen - 96)) if mapped and network.prefixlen >= 96 else network


HSTS_STEPS = {"no": 0, "hour": 3600, "day": 86_400, "month": 30 * 86_400, "year": 365 * 86_400}


def hsts_s(text: str) -> int:
    if text.lower() not in HSTS_STEPS:
        raise ValueError(f"one of {', '.join(HSTS_STEPS)}")
    return HSTS_STEPS[text.lower()]


def folder(text: str) -> Path:
    path = Path(text).expanduser()
    if not path.is_absolute():
        raise ValueError("a folder, written from the root on")
    return path


def hours(text: str) -> float:
    """A span of time; 0 means never."""
    kind = "hours from 0.1 to 8760, or 0 for never"
    try:
        value = float(text)
    except ValueError:
        raise ValueError(kind) from None
    if not (value == 0 or 0.1 <= value <= 8760):
        raise ValueError(kind)
    return value


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


def zone_of_this_machine() -> str:
    # Where the machine keeps its zone as a link into the zone database, the link names it.
    _, found, zone = os.path.realpath("/etc/localtime").partition("/zoneinfo/")
    return zone if found else "UTC"


@dataclass(frozen=True)
class Setting:
    read: Callable[[str], Any]
    default: Any  # the value, or a function that finds it
    example: str
    secret: bool = False  # what was written is then never repeated in an error


SETTINGS = {
    "BUILDLOG_DATA_DIR": Setting(Path, PROJECT / ".data", "/srv/firnlog"),
    "BUILDLOG_BASE_URL": Setting(base_url, BaseUrl(), "https://home.example/firnlog"),
    "BUILDLOG_HOSTS": Setting(host_list, list, "192.168.1.20,shed.local"),
    "BUILDLOG_TRUSTED_PROXIES": Setting(networks, None, "127.0.0.1,172.17.0.0/16"),
    "BUILDLOG_HSTS": Setting(hsts_s, 0, "day"),
    "BUILDLOG_TIME_ZONE": Setting(time_zone, zone_of_this_machine, "Europe/Oslo"),
    "BUILDLOG_BACKUP_DIR": Setting(folder, None, "/mnt/usb/firnlog"),
    "BUILDLOG_BACKUP_HOURS": Setting(hours, 24.0, "12"),
    "DATABASE_URL": Setting(stores.server, None, stores.SERVER_EXAMPLE, secret=True),
    "BUILDLOG_S3_BUCKET": Setting(stores.bucket, "", "firnlog"),
    "BUILDLOG_S3_ENDPOINT": Setting(stores.endpoint, "", "https://s3.example"),
    "BUILDLOG_S3_REGION": Setting(str, "", "eu-north-1"),
    "BUILDLOG_S3_KEY_ID": Setting(str, "", "firnlog"),
    "BUILDLOG_S3_SECRET_KEY": Setting(str, "", secrets.token_urlsafe(30), secret=True),
    "BUILDLOG_S3_PREFIX": Setting(stores.prefix, "", "sled-club/firnlog"),
    # A fresh one each time: somebody will copy the example.
    "BUILDLOG_SECRET_KEY": Setting(stores.shared_key, "", secrets.token_urlsafe(64), secret=True),
    "BUILDLOG_LOG": Setting(log_form, "plain", "json"),
    "BUILDLOG_DEBUG": Setting(flag, False, "yes"),
}


def data_folder(surroundings: Mapping[str, str] = os.environ) -> Path:
    """Where everything a running installation owns lives: database, uploads, static files, key."""
    setting = SETTINGS["BUILDLOG_DATA_DIR"]
    folder = Path(surroundings.get("BUILDLOG_DATA_DIR") or setting.default).expanduser().resolve()
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise WrongSettings(
            [
                f"BUILDLOG_DATA_DIR must be a folder that can be made and written, got {str(folder)!r}"
                f" ({error.strerror}). For example BUILDLOG_DATA_DIR={setting.example}"
            ]
        ) from None
    return folder


def read(folder: Path, surroundings: Mapping[str, str] = os.environ) -> dict[str, Any]:
    """The value of every setting, by its name."""
    problems: list[str] = []
    written = _written_in(folder / FILE, problems)
    for name, text in surroundings.items():
        if name in SETTINGS:
            written[name] = (text.strip(), "")
        elif name.startswith("BUILDLOG_") and name not in OF_THE_TESTS:
            problems.append(f"{name} is not a setting. {_nearest(name)}")
    values: dict[str, Any] = {}
    for name, setting in SETTINGS.items():
        text, place = written.get(name, ("", ""))
        try:
            default = setting.default
            values[name] = setting.read(text) if text else default() if callable(default) else default
        except ValueError as error:
            got = "" if setting.secret else f", got {text!r}"
            problems.append(f"{name} must be {error}{got}{place}. For example {name}={setting.example}")
    backups, uploads = values.get("BUILDLOG_BACKUP_DIR"), (folder / "media").resolve()
    if backups and backups.resolve().is_relative_to(uploads):
        problems.append(
            f"BUILDLOG_BACKUP_DIR must not be in the folder of photos and logs, or each backup would hold the one "
            f"before, got {str(backups)!r}. For example BUILDLOG_BACKUP_DIR={SETTINGS['BUILDLOG_BACKUP_DIR'].example}"
        )
    if problems:
        raise WrongSettings(problems)
    return values


def _written_in(path: Path, problems: list[str]) -> dict[str, tuple[str, str]]:
    """What the file sets: the text under each name, and where it stands."""
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError) as error:
        problems.append(f"{path} cannot be read as text ({error}).")
        return {}
    found: dict[str, tuple[str, str]] = {}
    for number, line in enumerate(map(str.strip, lines), start=1):
        if not line or line.startswith("#"):
            continue
        name, equals, text = (part.strip() for part in line.partition("="))
        place = f" ({FILE}, line {number})"
        example = f"For example {name}={SETTINGS[name].example}" if name in SETTINGS else ""
        if not equals or not re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", name):
            problems.append(f"{FILE}, line {number}, must be NAME=value. For example BUILDLOG_TIME_ZONE=Europe/Oslo")
        elif name == "BUILDLOG_DATA_DIR":
            problems.append(f"{name} can be set in the environment only, because it says where {FILE} is{place}.")
        elif name not in SETTINGS:
            problems.append(f"{name} is not a setting{place}. {_nearest(name)}")
        elif name in found:
            problems.append(f"{name} is set twice{found[name][1]}{place}. Keep one of the two lines.")
        elif text[:1] in ("'", '"') or re.search(r"\s#", text):
            found[name] = ("", place)
            problems.append(f"{name} must be written without quotes or a comment behind it{place}. {example}")
        else:
            found[name] = (text, place)
    return found


def _nearest(name: str) -> str:
    near = difflib.get_close_matches(name, SETTINGS, n=1, cutoff=0.7)
    return f"Did you mean {near[0]}?" if near else f"The settings are {', '.join(SETTINGS)}."


def secret_key(folder: Path) -> str:
    """The installation's own key, made once, readable by its owner only."""
    path = folder / "secret_key"
    try:
        key = made_once(path, lambda: secrets.token_urlsafe(64))
    except OSError as error:
        words = f"{path} cannot be read or made ({error.strerror}). Run this as the account that owns the folder."
        raise WrongSettings([words]) from None
    if not key:
        raise WrongSettings(
            [
                f"{path} is empty, though it should hold this log's key. Take it from a backup (settings/secret_key in "
                "the zip), or remove the file: then a new one is made, and everybody signs in again."
            ]
        )
    return key
