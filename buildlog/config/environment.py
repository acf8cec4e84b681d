"""What the surroundings may set, read strictly: a wrong value stops the start with its name."""

from __future__ import annotations

import os
import secrets
from pathlib import Path
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from django.core.exceptions import ImproperlyConfigured

PROJECT = Path(__file__).resolve().parents[2]


def data_folder() -> Path:
    """Where everything a running installation owns lives: database, uploads, static files, key."""
    folder = Path(os.environ.get("BUILDLOG_DATA_DIR") or PROJECT / ".data").expanduser().resolve()
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    return folder


def secret_key(folder: Path) -> str:
    """The installation's own key, made once, readable by its owner only."""
    path = folder / "secret_key"
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        return path.read_text().strip()
    with os.fdopen(descriptor, "w") as file:
        file.write(secrets.token_urlsafe(64))
    return path.read_text().strip()


def flag(name: str, default: bool) -> bool:
    text = os.environ.get(name, "").strip().lower()
    if not text:
        return default
    if text in ("1", "yes", "true", "on"):
        return True
    if text in ("0", "no", "false", "off"):
        return False
    raise ImproperlyConfigured(f"{name} must be yes or no, got {text!r}. For example {name}=yes")


def time_zone(name: str) -> str:
    """The zone in which people type and read times: as set, or the machine's own."""
    text = os.environ.get(name, "").strip()
    if not text:
        # Where the machine keeps its zone as a link into the zone database, the link names it.
        _, found, zone = os.path.realpath("/etc/localtime").partition("/zoneinfo/")
        text = zone if found else "UTC"
    try:
        ZoneInfo(text)
    except (KeyError, ValueError, OSError):
        raise ImproperlyConfigured(
            f"{name} must be a time zone, got {text!r}. For example {name}=Europe/Oslo"
        ) from None
    return text


def base_url(name: str) -> str:
    """The address people open, or "" when it is only this machine."""
    text = os.environ.get(name, "").strip().rstrip("/")
    if not text:
        return ""
    parts = urlsplit(text)
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise ImproperlyConfigured(
            f"{name} must be a web address, got {text!r}. For example {name}=https://log.example"
        )
    return text


def host_list(name: str) -> list[str]:
    hosts = [host.strip() for host in os.environ.get(name, "").split(",") if host.strip()]
    for host in hosts:
        if "/" in host or ":" in host.strip("[]"):
            raise ImproperlyConfigured(
                f"{name} must be host names without a port, got {host!r}. For example {name}=192.168.1.20,shed.local"
            )
    return hosts


def hours(name: str, default: float) -> float:
    """A span of time in hours; 0 means never."""
    text = os.environ.get(name, "").strip()
    if not text:
        return default
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not (value == 0 or 0.1 <= value <= 8760):
        raise ImproperlyConfigured(
            f"{name} must be hours from 0.1 to 8760, or 0 for never, got {text!r}. For example {name}=24"
        )
    return value


def folder(name: str, default: Path) -> Path:
    text = os.environ.get(name, "").strip()
    path = Path(text).expanduser() if text else default
    if not path.is_absolute():
        raise ImproperlyConfigured(
            f"{name} must be a folder from the root on, got {text!r}. For example {name}=/mnt/usb"
        )
    return path


def choice(name: str, choices: tuple[str, ...]) -> str:
    """One of some words; the first where none is set."""
    text = os.environ.get(name, "").strip().lower()
    if text and text not in choices:
        raise ImproperlyConfigured(
            f"{name} must be {' or '.join(choices)}, got {text!r}. For example {name}={choices[-1]}"
        )
    return text or choices[0]
