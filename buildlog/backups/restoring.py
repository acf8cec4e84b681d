"""Putting a backup in the place of the running data: checked, brought up to date beside it, and only then swapped."""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from django.conf import settings
from django.db import Error

from buildlog.backups import making, package, server
from buildlog.backups.database import LIVE_NAME, Database
from buildlog.backups.package import DATABASE, Manifest, NotABackup
from buildlog.data_copy import CannotCopy
from buildlog.durable_files import InUse, as_the_folder_is_owned, locked, sync_folder, write_whole
from buildlog.file_copy import CannotCopyFile
from buildlog.version import newer_than_known

RUNNING_LOCK = "running.lock"
"""Held, shared, by every process that serves the site; held alone while data are swapped."""
UNFINISHED = ".unfinished-restore.json"
"""In the data folder only while a swap is under way."""


class RestoreFailed(RuntimeError):
    """Nothing was restored; the message is a sentence for people."""


@dataclass(frozen=True)
class Restored:
    manifest: Manifest
    kept: Path | None
    record_count: int
    brought_up_to_date: bool


def check(file: Path) -> Manifest:
    """Check a whole backup but for what only its unpacked database can tell. Raises NotABackup with a sentence."""
    manifest = package.read(file)
    newer = newer_than_known(manifest.migrations)
    if newer:
        raise NotABackup(
            f"The backup is from a newer version of the program (it knows {newer[0]}). Update the program, "
            "then restore."
        )
    return manifest


def restore(file: Path, data: Path, *, now: datetime | None = None) -> Restored:
    """Put a backup in the place of what is in the data folder, which is kept beside.

    Where a server holds the records, they come into its database, which must be empty; settings and key stay those
    of this host. Raises NotABackup or RestoreFailed with a sentence; the data then are as they were.
    """
    manifest = check(file)
    free = shutil.disk_usage(data).free
    if manifest.unpacked_bytes * 1.2 > free:
        raise RestoreFailed(
            f"The backup unpacks to {manifest.unpacked_bytes / 1e6:.0f} MB, and the disk of {data} has "
            f"{free / 1e6:.0f} MB left. Make room, then restore."
        )
    stamp = (now or datetime.now(UTC)).strftime("%Y-%m-%dT%H%M%SZ")
    with _alone(data):
        finish_unfinished(data)
        for stale in data.glob(".restoring-*"):
            shutil.rmtree(stale, ignore_errors=True)  # Left by a restore that was killed before it swapped.
        staged, kept = data / f".restoring-{secrets.token_hex(4)}", _free(data / f"replaced-{stamp}")
        try:
            staged.mkdir(mode=0o700)
            old = _prepare(file, manifest, staged)
            record_count = sum(Database(staged / LIVE_NAME).counts().values())
            if server.holds_the_records():
                server.bring_in(staged)
                shutil.rmtree(staged, ignore_errors=True)
                return Restored(manifest, None, record_count, old)
            kept.mkdir(mode=0o700)
            for path in (staged, *staged.rglob("*"), kept):
                as_the_folder_is_owned(path, data)
            _plan_swap(data, staged, kept)
        except (CannotCopy, CannotCopyFile) as error:
            shutil.rmtree(staged, ignore_errors=True)
            raise RestoreFailed(str(error)) from None
        except (OSError, sqlite3.Error, Error) as error:
            shutil.rmtree(staged, ignore_errors=True)
            raise RestoreFailed(f"{making.in_a_sentence(error)} Your data are as they were.") from error
        except BaseException:
            shutil.rmtree(staged, ignore_errors=True)
            raise
        finish_unfinished(data)
    return Restored(manifest, kept, record_count, old)


def _free(wanted: Path) -> Path:
    number, found = 2, wanted
    while found.exists():
        found, number = wanted.with_name(f"{wanted.name}-{number}"), number + 1
    return found


@contextlib.contextmanager
def _alone(data: Path) -> Iterator[None]:
    try:
        with locked(data / making.LOCK), locked(data / RUNNING_LOCK):
            yield
    except InUse as error:
        busy = "The server is running" if RUNNING_LOCK in str(error) else "A backup or another restore is going on"
        raise RestoreFailed(
            f"{busy}, and what is written meanwhile would be lost. Stop it, then restore. Your data are as they were."
        ) from None


def _prepare(file: Path, manifest: Manifest, staged: Path) -> bool:
    """Unpack beside, check, bring up to date, check again. True if it came from an older version."""
    package.unpack(file, manifest, staged)
    os.rename(staged / DATABASE, staged / LIVE_NAME)
    database = Database(staged / LIVE_NAME)
    database.prove_whole()
    if database.migrations() != manifest.migrations or database.counts() != manifest.counts:
        raise NotABackup("Its database is not the one the backup's list describes.")
    for path in (staged / "settings").glob("*"):
        os.rename(path, staged / path.name)
    shutil.rmtree(staged / "settings", ignore_errors=True)
    (staged / "media").mkdir(mode=0o700, exist_ok=True)
    bring_up_to_date(staged)
    with contextlib.closing(sqlite3.connect(database.path)) as connection:
        # One file again, whole in itself: what is swapped must not leave a part of it behind.
        connection.execute("PRAGMA journal_mode=DELETE")
    database.prove_whole()
    for path in (database.path, staged / "media", staged):
        sync_folder(path)
    return database.migrations() != manifest.migrations


def bring_up_to_date(folder: Path) -> None:
    """Run the migrations on the database in a folder that nobody uses yet.

    In a process of its own, because its settings are those of that folder, and so that no step of it can reach
    the running data.
    """
    # The file of settings in the backup may name a server; an empty word of the environment takes its place.
    surroundings = {**os.environ, "DATABASE_URL": "", "BUILDLOG_DATA_DIR": str(folder)}
    surroundings["DJANGO_SETTINGS_MODULE"] = "buildlog.config.settings"
    command = [sys.executable, str(settings.PROJECT / "manage.py"), "migrate", "--noinput", "--verbosity=0"]
    done = subprocess.run(command, env=surroundings, cwd=settings.PROJECT, capture_output=True, text=True)
    if done.returncode:
        last = (done.stderr.strip().splitlines() or ["no reason given"])[-1]
        raise RestoreFailed(f"Its database cannot be brought up to this version: {last}. Your data are as they were.")


def _plan_swap(data: Path, staged: Path, kept: Path) -> None:
    """Write down what is to be swapped. From here on the swap is finished, whatever happens in between."""
    comes = sorted(path.name for path in staged.iterdir() if not path.name.startswith((LIVE_NAME + "-", ".")))
    # Uploads first: where their folder cannot be renamed, nothing else has happened yet.
    comes.sort(key=lambda name: (name != "media", name != LIVE_NAME))
    plan = {"staged": staged.name, "kept": kept.name, "comes": comes}
    write_whole(data / UNFINISHED, json.dumps(plan).encode())


def begin_to_serve(data: Path) -> None:
    """Say, for the rest of this process and those it forks, that the site is served from this folder.

    Raises RestoreFailed with a sentence while its data are being swapped, or were swapped by half.
    """
    if (data / UNFINISHED).exists():
        raise RestoreFailed("A restore was cut off half way. Finish it first: manage.py restore --finish")
    try:
        _serving.enter_context(locked(data / RUNNING_LOCK, shared=True))
    except InUse:
        raise RestoreFailed("A restore is going on. Start again when it has ended.") from None


_serving = contextlib.ExitStack()


def finish(data: Path) -> bool:
    """Finish a restore that was cut off. Raises RestoreFailed while the data are in use."""
    with _alone(data):
        return finish_unfinished(data)


def finish_unfinished(data: Path, step: Callable[[str], None] = lambda _: None) -> bool:
    """Do what is left of a swap, from wherever it was cut off. True if there was one.

    Every step can be done again, and leaves either the old or the new under a name. `step` is told of each
    before it is done. The caller holds the locks.
    """
    try:
        plan = json.loads((data / UNFINISHED).read_text())
    except FileNotFoundError:
        return False
    staged, kept = data / plan["staged"], data / plan["kept"]
    for name in plan["comes"]:
        new, live, old = staged / name, data / name, kept / name
        if not new.exists():
            continue  # It is in its place already.
        if name == LIVE_NAME:
            # What is not yet in the old database's own file must stay with it, and never meet the new one.
            for beside in (f"{name}-wal", f"{name}-shm"):
                if (data / beside).exists():
                    step(f"keep {beside}")
                    os.replace(data / beside, kept / beside)
        if live.exists() and not old.exists():
            step(f"keep {name}")
            if live.is_dir():
                os.rename(live, old)
            else:
                _second_name(live, old)
        step(f"bring {name}")
        os.replace(new, live)
        sync_folder(kept)
        sync_folder(data)
    step("forget the plan")
    (data / UNFINISHED).unlink()
    sync_folder(data)
    shutil.rmtree(staged, ignore_errors=True)
    return True


def _second_name(live: Path, old: Path) -> None:
    try:
        os.link(live, old)
    except PermissionError:
        # Disks without hard links: a copy, under its name only once it is whole.
        part = old.with_name(f".{old.name}.part")
        shutil.copy2(live, part)
        os.replace(part, old)
