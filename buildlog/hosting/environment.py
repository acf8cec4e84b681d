"""What an installation may set, by the environment or by `settings.env` in its data folder.

Each setting is declared once, in SETTINGS: how its text is read, what it is when nothing is set, and an example.
systemd's credentials may hold them as well, which it keeps encrypted. The file holds NAME=value lines under the same
names, so that one table describes both and systemd or a container can read the same file; where both set a name, the
environment wins. Whatever is wrong stops the start, all of it said at once. The table in the help text on installation
is `table()`.

django-environ 0.14.0 and environs 15.2.0 were tried in the place of this module on the nine wrong files of its
tests. django-environ reads all nine without a word, the last of two lines wins, and "maybe" is no; it stops at the
first wrong value, and takes a key that begins with $ for the name of another. environs reads eight of the nine, puts
${HOME} into a password, and reads the process's environment only, where a restore must look at a file alone. Names
nobody knows pass in both. What is left for them is one loop of ten lines.
"""

from __future__ import annotations

import difflib
import os
import re
import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.core.exceptions import ImproperlyConfigured

from buildlog.hosting import stores
from buildlog.hosting.setting_readers import (
    BaseUrl,
    HstsSeconds,
    base_url,
    flag,
    folder,
    host_list,
    hours,
    hsts_s,
    log_form,
    networks,
    public_key,
    second_factor,
    time_zone,
    whole_number,
)
from buildlog.storage.durable_files import read_or_create

PROJECT = Path(__file__).resolve().parents[2]
FILE = "settings.env"
CREDENTIALS = "CREDENTIALS_DIRECTORY"
"""The folder in which systemd shows a service its credentials, each a file (systemd.exec, LoadCredential)."""
EXAMPLE_PUBLIC_KEY = "age17exr9dt7keskdsjzscfcqfstjn64adktcy4ya6us0txce6tq85gseg97au"
"""Its secret key was thrown away: who copies it makes backups that nobody can open."""
# Read by the tests only; an installation passes over them.
TEST_SETTINGS = {"BUILDLOG_SKIPS_FAIL"}


class WrongSettings(ImproperlyConfigured):
    """Every problem found, each naming its setting, what is wrong and an example."""

    def __init__(self, problems: list[str]) -> None:
        self.problems = problems
        heading = "A setting is wrong:" if len(problems) == 1 else f"{len(problems)} settings are wrong:"
        super().__init__("\n  - ".join([heading, *problems]))


def zone_of_this_machine() -> str:
    # Where the machine keeps its zone as a link into the zone database, the link names it.
    _, separator, zone = os.path.realpath("/etc/localtime").partition("/zoneinfo/")
    return zone if separator else "UTC"


@dataclass(frozen=True)
class Setting:
    read: Callable[[str], Any]
    default: Any  # the value, or a function that finds it
    example: str
    meaning: str = ""
    default_in_words: str = "none"
    secret: bool = False  # what was written is then never repeated in an error


SETTINGS = {
    "BUILDLOG_DATA_DIR": Setting(
        Path,
        PROJECT / ".data",
        "/srv/firnlog",
        "folder of database, photos, key and `settings.env`; in the environment only",
        default_in_words="`.data` in the project",
    ),
    "BUILDLOG_BASE_URL": Setting(
        base_url,
        BaseUrl(),
        "https://home.example/firnlog",
        "the address people open, when it stands behind a proxy, such as `https://home.example` or "
        "`https://home.example/firnlog`",
    ),
    "BUILDLOG_HOSTS": Setting(
        host_list,
        list,
        "192.168.1.20,shed.local",
        "further host names it answers to, with commas between",
    ),
    "BUILDLOG_TRUSTED_PROXIES": Setting(
        networks,
        None,
        "127.0.0.1,172.17.0.0/16",
        "addresses or networks of the proxies whose `X-Forwarded-` headers are believed, or `none`",
        default_in_words="this machine, when there is a base URL",
    ),
    "BUILDLOG_HSTS": Setting(
        hsts_s,
        HstsSeconds(0),
        "day",
        "how long browsers remember to come by HTTPS only: `hour`, `day`, `month`, `year`, `year-and-subnames` or `no`",
        default_in_words="`no`",
    ),
    "BUILDLOG_TIME_ZONE": Setting(
        time_zone,
        zone_of_this_machine,
        "Europe/Oslo",
        "zone in which times are typed and shown, such as `Europe/Oslo`",
        default_in_words="the machine's",
    ),
    "BUILDLOG_BACKUP_DIR": Setting(
        folder,
        None,
        "/mnt/usb/firnlog",
        "folder of backups, such as `/mnt/usb/firnlog` on another disk",
        default_in_words="`backups` in the data folder",
    ),
    "BUILDLOG_BACKUP_HOURS": Setting(
        hours,
        24.0,
        "12",
        "hours between the backups that the server makes by itself; `0` for none",
        default_in_words="`24`",
    ),
    "BUILDLOG_BACKUP_PUBLIC_KEY": Setting(
        public_key,
        "",
        EXAMPLE_PUBLIC_KEY,
        "public key to which backups are encrypted, as `manage.py backup_key` makes it",
        default_in_words="not encrypted",
        secret=True,  # somebody will write the secret key here
    ),
    "BUILDLOG_OFFSITE": Setting(
        stores.offsite_address,
        None,
        "sftp://firnlog@backup.example/srv/firnlog",
        "place outside to which each backup is copied: `s3://bucket/folder` or "
        "`sftp://name@host:22/folder` (`/~/folder` in the home folder there)",
    ),
    "BUILDLOG_OFFSITE_ENDPOINT": Setting(
        stores.endpoint,
        "",
        "https://s3.example",
        "where that is a bucket: the store's address",
        default_in_words="the region's own",
    ),
    "BUILDLOG_OFFSITE_REGION": Setting(
        str,
        "",
        "eu-north-1",
        "its region",
    ),
    "BUILDLOG_OFFSITE_KEY_ID": Setting(
        str,
        "",
        "firnlog",
        "name of the key to it",
        default_in_words="the machine's own role",
    ),
    "BUILDLOG_OFFSITE_SECRET_KEY": Setting(
        str,
        "",
        secrets.token_urlsafe(30),
        "the key itself",
        default_in_words="the machine's own role",
        secret=True,
    ),
    "DATABASE_URL": Setting(
        stores.server,
        None,
        stores.SERVER_EXAMPLE,
        f"a PostgreSQL database in the place of the SQLite file, such as `{stores.SERVER_EXAMPLE}`",
        default_in_words="the file in the data folder",
        secret=True,
    ),
    "BUILDLOG_S3_BUCKET": Setting(
        stores.bucket,
        "",
        "firnlog",
        "bucket of an S3-compatible store for photos and logs",
        default_in_words="the folder `media` in the data folder",
    ),
    "BUILDLOG_S3_ENDPOINT": Setting(
        stores.endpoint,
        "",
        "https://s3.example",
        "that store's address, such as `https://s3.example`",
        default_in_words="the region's own",
    ),
    "BUILDLOG_S3_REGION": Setting(
        str,
        "",
        "eu-north-1",
        "its region",
    ),
    "BUILDLOG_S3_KEY_ID": Setting(
        str,
        "",
        "firnlog",
        "name of the key to it",
        default_in_words="the machine's own role",
    ),
    "BUILDLOG_S3_SECRET_KEY": Setting(
        str,
        "",
        secrets.token_urlsafe(30),
        "the key itself",
        default_in_words="the machine's own role",
        secret=True,
    ),
    "BUILDLOG_S3_PREFIX": Setting(
        stores.prefix,
        "",
        "sled-club/firnlog",
        "folder within the bucket",
    ),
    # A fresh one each time: somebody will copy the example.
    "BUILDLOG_SECRET_KEY": Setting(
        stores.shared_key,
        "",
        secrets.token_urlsafe(64),
        "the key that signs cookies and links, given alike to every host of one log",
        default_in_words="made in the data folder",
        secret=True,
    ),
    "BUILDLOG_SECOND_FACTOR": Setting(
        second_factor,
        "auto",
        "owners",
        "who must sign in with a one-time code too: `owners`, `everybody` or `no`; everybody else may. `auto`: owners, "
        "where the base URL or a name of `BUILDLOG_HOSTS` is reachable from outside",
        default_in_words="`auto`",
    ),
    "BUILDLOG_STRICT_CODES": Setting(
        flag,
        False,
        "yes",
        "`yes`: a one-time code counts for its own 30 seconds only, and not for those before and after: where the "
        "clocks of the machine and of all phones are set by a network",
        default_in_words="`no`",
    ),
    "BUILDLOG_REQUEST_RATE": Setting(
        whole_number,
        600,
        "1200",
        "how many requests a minute each process takes from one account, key or address; `0` for any number",
        default_in_words="`600`",
    ),
    "BUILDLOG_LOG": Setting(
        log_form,
        "plain",
        "json",
        "`json` writes one line of JSON for every request, on standard error; `plain` only trouble, what was "
        "refused, and who changed or removed a record",
        default_in_words="`plain`",
    ),
    "BUILDLOG_DEBUG": Setting(
        flag,
        False,
        "yes",
        "`yes` shows error details, and is refused on a network",
        default_in_words="`no`",
    ),
}


def table() -> str:
    """The settings as a table in Markdown."""
    rows = [(f"`{name}`", setting.meaning, setting.default_in_words) for name, setting in SETTINGS.items()]
    return "\n".join(f"| {' | '.join(row)} |" for row in [("variable", "meaning", "default"), *rows]).replace(
        "default |\n", "default |\n|---|---|---|\n", 1
    )


def data_folder(environ: Mapping[str, str] = os.environ) -> Path:
    """Where everything a running installation owns lives: database, uploads, static files, key."""
    setting = SETTINGS["BUILDLOG_DATA_DIR"]
    folder = Path(environ.get("BUILDLOG_DATA_DIR") or setting.default).expanduser().resolve()
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


def read(folder: Path, environ: Mapping[str, str] = os.environ) -> dict[str, Any]:
    """The value of every setting, by its name."""
    problems: list[str] = []
    written = _read_file(folder / FILE, problems) | _read_credentials(environ.get(CREDENTIALS, ""), problems)
    for name, text in environ.items():
        if name in SETTINGS:
            written[name] = (text.strip(), "")
        elif name.startswith("BUILDLOG_") and name not in TEST_SETTINGS:
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


def _read_file(path: Path, problems: list[str]) -> dict[str, tuple[str, str]]:
    """What the file sets: the text under each name, and where it stands."""
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError) as error:
        problems.append(f"{path} cannot be read as text ({error}).")
        return {}
    written: dict[str, tuple[str, str]] = {}
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
        elif name in written:
            problems.append(f"{name} is set twice{written[name][1]}{place}. Keep one of the two lines.")
        elif text[:1] in ("'", '"') or re.search(r"\s#", text):
            written[name] = ("", place)
            problems.append(f"{name} must be written without quotes or a comment behind it{place}. {example}")
        else:
            written[name] = (text, place)
    return written


def _read_credentials(folder: str, problems: list[str]) -> dict[str, tuple[str, str]]:
    """What the credentials of the service set: a file each, under the setting's name. Others are somebody else's."""
    written: dict[str, tuple[str, str]] = {}
    for name in SETTINGS if folder else ():
        path = Path(folder) / name
        try:
            written[name] = (path.read_text(encoding="utf-8").strip(), f" (credential {name})")
        except FileNotFoundError:
            continue
        except (OSError, UnicodeDecodeError) as error:
            problems.append(f"The credential {path} cannot be read as text ({error}).")
    return written


def _nearest(name: str) -> str:
    near = difflib.get_close_matches(name, SETTINGS, n=1, cutoff=0.7)
    return f"Did you mean {near[0]}?" if near else f"The settings are {', '.join(SETTINGS)}."


def secret_key(folder: Path) -> str:
    """The installation's own key, made once, readable by its owner only."""
    path = folder / "secret_key"
    try:
        key = read_or_create(path, lambda: secrets.token_urlsafe(64))
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
