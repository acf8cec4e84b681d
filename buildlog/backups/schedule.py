"""Backups that the server makes by itself.

Every worker looks once a minute; the one that finds a backup due and takes the lock starts `manage.py backup`
in a process of its own, so that no page waits for it and its memory goes with it.
"""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

from django.conf import settings

from buildlog.backups import standing
from buildlog.durable_files import InUse, locked

LOOK_EVERY_S = 60.0
LOCK = "schedule.lock"


def start(data: Path, hours: float) -> None:
    """Watch from a thread of this process, for as long as it lives."""
    if hours > 0:
        threading.Thread(target=_watch, args=(data, hours), name="backups", daemon=True).start()


def _watch(data: Path, hours: float) -> None:
    while True:
        # The first look comes later too: a server that has just started has people waiting for it.
        time.sleep(LOOK_EVERY_S)
        try:
            back_up_if_due(data, hours)
        except OSError as error:
            print(f"The schedule of backups cannot go on for now: {error}", file=sys.stderr)


def back_up_if_due(data: Path, hours: float) -> bool:
    """Make a backup if one is due and nobody else is at it. True if one was tried here."""
    if not standing.is_due(standing.read(data), hours, datetime.now(UTC)):
        return False
    try:
        with locked(data / LOCK):
            # Another may have made it between the first look and the lock.
            if not standing.is_due(standing.read(data), hours, datetime.now(UTC)):
                return False
            _begin("--if-due").wait()
            return True
    except InUse:
        return False


def back_up_now(wait_s: float) -> bool:
    """Begin a backup whether one is due or not. True if it ended, well or not, before the wait did."""
    try:
        _begin().wait(wait_s)
    except subprocess.TimeoutExpired:
        return False
    return True


def _begin(*arguments: str) -> subprocess.Popen[bytes]:
    command = [sys.executable, str(settings.PROJECT / "manage.py"), "backup", *arguments]
    return subprocess.Popen(command, cwd=settings.PROJECT, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
