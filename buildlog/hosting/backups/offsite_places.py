"""Places outside that keep copies of backups: a bucket of the S3 protocol, or a folder on an SSH host.

The SSH host is reached by the system's own `sftp`, not by paramiko: it is there on nearly every machine, is mended with
the system, and knows keys, agents, jump hosts and host keys as whoever runs SSH hosts keeps them; paramiko would add
three packages with compiled code to each installation. The host needs SFTP only, no shell.
"""

from __future__ import annotations

import contextlib
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Any, Protocol

from django.conf import settings

from buildlog.hosting import stores
from buildlog.hosting.stores import Offsite
from buildlog.storage.stored_files import is_object_store_error

SSH_KEY = "offsite_ssh_key"
KNOWN_HOSTS = "offsite_known_hosts"
PART = ".part"
SFTP_OPTIONS = {
    "BatchMode": "yes",
    "LogLevel": "ERROR",
    "ConnectTimeout": "15",
    "ServerAliveInterval": "15",
    "ServerAliveCountMax": "4",
}


class CannotReach(RuntimeError):
    """The place does not do what it is asked; the message is a sentence for people."""


class Place(Protocol):
    def sizes_bytes(self) -> dict[str, int]:
        """The files there, each with its size."""

    def send(self, file: Path) -> None:
        """Store a file under its name, which it gets once it is whole there."""

    def fetch(self, name: str, into: Path) -> None:
        """Read a file from there."""

    def remove(self, name: str) -> None:
        """Remove a file there."""


def place_of(offsite: Offsite, *, trust_new_host: bool = False) -> Place:
    """`trust_new_host`: write the key of a host down that was never asked before, where somebody is looking on."""
    return Bucket(offsite) if offsite.address.kind == "s3" else SshHost(offsite, trust_new_host)


class Bucket:
    """A folder of a bucket."""

    def __init__(self, offsite: Offsite) -> None:
        import boto3  # only installations with a bucket have it

        self.name, self.prefix = offsite.address.host, offsite.address.folder and f"{offsite.address.folder}/"
        self.client: Any = boto3.client(
            "s3",
            endpoint_url=offsite.endpoint or None,
            region_name=offsite.region or None,
            aws_access_key_id=offsite.key_id or None,
            aws_secret_access_key=offsite.secret_key or None,
            config=stores.client_config(offsite.endpoint),
        )

    def sizes_bytes(self) -> dict[str, int]:
        sizes: dict[str, int] = {}
        with _store_in_words():
            for page in self.client.get_paginator("list_objects_v2").paginate(Bucket=self.name, Prefix=self.prefix):
                for entry in page.get("Contents", ()):
                    sizes[entry["Key"].removeprefix(self.prefix)] = entry["Size"]
        return sizes

    def send(self, file: Path) -> None:
        with _store_in_words():
            self.client.upload_file(str(file), self.name, self.prefix + file.name)

    def fetch(self, name: str, into: Path) -> None:
        with _store_in_words():
            self.client.download_file(self.name, self.prefix + name, str(into))

    def remove(self, name: str) -> None:
        with _store_in_words():
            self.client.delete_object(Bucket=self.name, Key=self.prefix + name)


@contextlib.contextmanager
def _store_in_words() -> Any:
    from boto3.exceptions import Boto3Error

    try:
        yield
    except Exception as error:
        if isinstance(error, Boto3Error) or is_object_store_error(error):
            raise CannotReach(f"{str(error).strip().rstrip('.')}.") from None
        raise


class SshHost:
    """A folder on a host that speaks SFTP."""

    def __init__(self, offsite: Offsite, trust_new_host: bool) -> None:
        address = offsite.address
        self.folder, self.to = address.folder, f"{address.user}@{address.host}"
        program = shutil.which("sftp")
        if program is None:
            raise CannotReach("sftp is not installed here (on Debian: apt install openssh-client).")
        checking = {"StrictHostKeyChecking": "accept-new" if trust_new_host else "yes"}
        hosts = {"UserKnownHostsFile": f'"{settings.DATA / KNOWN_HOSTS}" ~/.ssh/known_hosts', **checking}
        options = [f"-o{name}={value}" for name, value in {**SFTP_OPTIONS, **hosts}.items()]
        key = settings.DATA / SSH_KEY
        if key.exists():
            options += ["-i", str(key)]
        self.command = [program, *options, "-P", str(address.port), "-b", "-", self.to]

    def sizes_bytes(self) -> dict[str, int]:
        sizes: dict[str, int] = {}
        for line in self._do(f"ls -lna {_quoted(self.folder)}").splitlines():
            # -rw-------    1 1000     1000        52301 Nov 28 07:00 name
            columns = line.split(None, 8)
            if len(columns) == 9 and columns[0].startswith("-") and columns[4].isdigit():
                sizes[columns[8].rpartition("/")[2]] = int(columns[4])
        return sizes

    def send(self, file: Path) -> None:
        name = self._at(file.name)
        part = self._at(f"{file.name}{PART}")
        # With "-" before it a command may fail: there may be no part of an earlier try, and no such file.
        self._do(f"put {_quoted(str(file))} {part}", f"-rm {name}", f"rename {part} {name}")

    def fetch(self, name: str, into: Path) -> None:
        self._do(f"get {self._at(name)} {_quoted(str(into))}")

    def remove(self, name: str) -> None:
        self._do(f"rm {self._at(name)}")

    def _at(self, name: str) -> str:
        return _quoted(f"{self.folder}/{name}")

    def _do(self, *commands: str) -> str:
        with tempfile.TemporaryFile("w+") as batch:
            batch.write("".join(f"{command}\n" for command in commands))
            batch.seek(0)
            try:
                done = subprocess.run(self.command, stdin=batch, capture_output=True, text=True, errors="replace")
            except OSError as error:
                raise CannotReach(f"sftp cannot be run: {error.strerror}.") from None
        if done.returncode:
            lines = [line.strip() for line in done.stderr.splitlines() if line.strip()]
            raise CannotReach(f"{self.to}: {_reason(lines)}")
        return done.stdout


def _reason(lines: list[str]) -> str:
    text = " ".join(lines)
    if "Host key verification failed" in text:
        return (
            "the host's key is not known here, or is another than before. Look into it, then run "
            "manage.py offsite --check, which shows a new host's key and writes it down."
        )
    if "Permission denied (" in text:
        return (
            f"it lets this log not in. Its public key ({SSH_KEY}.pub in the data folder; manage.py offsite --check "
            "makes it) belongs into authorized_keys there."
        )
    return f"{(lines or ['sftp gave no reason'])[-1].rstrip('.')}."


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
