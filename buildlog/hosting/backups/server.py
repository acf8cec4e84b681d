"""Where the records are on a database server: its own tool before an update, and a restore into an empty database."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

from django.core.files.storage import FileSystemStorage, default_storage
from django.db import connection

from buildlog.hosting.backups.database import LIVE_NAME
from buildlog.hosting.data_copy import copy_everything, sqlite_file, temporary_alias
from buildlog.hosting.file_copy import copy_files
from buildlog.storage.durable_files import chown_like_parent, sync_folder

DUMP_SUFFIX = ".pgdump"


def holds_the_records() -> bool:
    """Whether a server does, and not a file in the data folder."""
    return connection.vendor != "sqlite"


class NoTool(RuntimeError):
    """The server's own tool is missing or failed; the message is a sentence for people."""


def dump(target: Path) -> None:
    """Write a dump in the server's own format, which does not depend on the version of our tables. Raises NoTool."""
    from psycopg.conninfo import make_conninfo  # most installations never need it
    from psycopg.pq import Conninfo

    program = shutil.which("pg_dump")
    if program is None:
        raise NoTool("pg_dump is not installed here (on Debian: apt install postgresql-client).")
    parameters = connection.get_connection_params()
    names = {option.keyword.decode() for option in Conninfo.get_defaults()} - {"password"}
    address = make_conninfo(**{name: value for name, value in parameters.items() if name in names and value})
    # A password on the command line could be read by everybody on the machine.
    password = {"PGPASSWORD": str(parameters["password"])} if parameters.get("password") else {}
    part = target.with_name(f".{target.name}.part")
    done = subprocess.run(
        [program, "--format=custom", "--no-password", f"--file={part}", f"--dbname={address}"],
        env={**os.environ, **password},
        capture_output=True,
        text=True,
    )
    if done.returncode:
        part.unlink(missing_ok=True)
        raise NoTool((done.stderr.strip().splitlines() or ["pg_dump failed without a word."])[-1])
    part.chmod(0o600)
    sync_folder(part)
    chown_like_parent(part)
    os.replace(part, target)
    sync_folder(target.parent)


def copy_into_a_file(target: Path) -> None:
    """A snapshot of the records in a SQLite file. Raises CannotCopy, OSError or a database's error."""
    with temporary_alias("backup", sqlite_file(target)):
        copy_everything("default", "backup")


def bring_in(staged: Path) -> None:
    """Copy an unpacked backup into the server's database, which must be empty, and its files into the store in use.

    Files first: each has a unique name, so that an extra one harms nothing, and a second try finds it stored.
    Raises CannotCopy or CannotCopyFile with a sentence.
    """
    bring_files_in(staged)
    with temporary_alias("staged", sqlite_file(staged / LIVE_NAME)):
        copy_everything("staged", "default", lock_source=True)


def bring_files_in(staged: Path) -> None:
    """Copy the files that an unpacked backup's records name into the store in use. Raises CannotCopyFile."""
    with temporary_alias("staged", sqlite_file(staged / LIVE_NAME)):
        copy_files(FileSystemStorage(location=staged / "media"), default_storage, of="staged")
