"""Scheduled backups.

Every worker looks once a minute; the one that finds a backup due and takes the lock starts `manage.py backup`
in a process of its own, so that no page waits for it and its memory goes with it.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import threading
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import IO

from django.conf import settings
from django.db import connection

from buildlog.hosting.backups import database_check, drill, offsite, status
from buildlog.storage.durable_files import InUse, locked

LOOK_EVERY_S = 60.0
LOCK = "schedule.lock"


def start(data: Path, hours: float) -> None:
    """Watch from a thread of this process, for as long as it lives."""
    if hours > 0 or connection.vendor == "sqlite":
        threading.Thread(target=_watch, args=(data, hours), name="backups", daemon=True).start()


def _watch(data: Path, hours: float) -> None:
    wait_s, started_at = LOOK_EVERY_S, datetime.now(UTC)
    while True:
        # Wait before the first check too: a server that has just started has requests waiting.
        time.sleep(wait_s)
        wait_s = LOOK_EVERY_S
        try:
            look_if_due(data, started_at)
            if hours <= 0:
                continue
            if back_up_if_due(data, hours):
                # The note in the data folder has the same effect, but a full disk has no room for it.
                wait_s = status.again_after(hours).total_seconds()
            send_if_due(data)
            drill_if_due(data)
        except OSError as error:
            print(f"The schedule of backups cannot go on for now: {error}", file=sys.stderr)


def look_if_due(data: Path, started_at: datetime) -> bool:
    """Have SQLite check the database if that is due and no other process does. Whether it was done."""
    if connection.vendor != "sqlite" or not database_check.is_due(data, started_at, datetime.now(UTC)):
        return False
    try:
        with locked(data / LOCK):
            database_check.look(data)
            return True
    except InUse:
        return False


def back_up_if_due(data: Path, hours: float) -> int | None:
    """Make a backup if one is due and no other process makes one. Its exit code, 0 for success; None if none ran."""
    if not status.is_due(status.read(data), hours, datetime.now(UTC)):
        return None
    try:
        with locked(data / LOCK):
            # Another may have made it between the first look and the lock.
            if not status.is_due(status.read(data), hours, datetime.now(UTC)):
                return None
            return _begin("backup", "--if-due").wait()
    except InUse:
        return None


def send_if_due(data: Path) -> int | None:
    """Copy the newest backup outside if it is not there. The exit code, 0 for success; None if nothing was done."""
    return _one_process(data, "offsite", "--if-due") if offsite.is_due(data, datetime.now(UTC)) else None


def drill_if_due(data: Path) -> int | None:
    """Restore a backup on trial if a month has gone. The exit code, 0 for success; None if nothing was done."""
    return _one_process(data, "restore", "--drill", "--if-due") if drill.is_due(data, datetime.now(UTC)) else None


def _one_process(data: Path, *command: str) -> int | None:
    try:
        with locked(data / LOCK):
            return _begin(*command).wait()
    except InUse:
        return None


class StillGoingOn(Exception):
    """The backup takes longer than the time to wait for it."""


def back_up_now(wait_s: float) -> str:
    """Make a backup whether one is due or not. Returns "" on success, else a sentence that says why there is none.

    Raises StillGoingOn when the wait ends before the backup does.
    """
    with tempfile.TemporaryFile() as output:
        try:
            code = _begin("backup", stderr=output).wait(wait_s)
        except subprocess.TimeoutExpired:
            raise StillGoingOn from None
        if code == 0:
            return ""
        output.seek(0)
        lines = output.read().decode(errors="replace").strip().splitlines() or ["The command gave no reason."]
    return lines[-1].removeprefix("CommandError: ").removeprefix("No backup was made. ")


def _begin(*arguments: str, stderr: IO[bytes] | None = None) -> subprocess.Popen[bytes]:
    command = [sys.executable, str(settings.PROJECT / "manage.py"), *arguments]
    return subprocess.Popen(
        command, cwd=settings.PROJECT, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=stderr
    )
