"""Who has the data folder: many serve from it at once; whoever swaps what is in it has it alone."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

from buildlog.storage.durable_files import CannotLock, InUse, locked

RUNNING_LOCK = "running.lock"
"""Held, shared, by every process that serves the site; held alone while data are swapped or carried away."""
UNFINISHED = ".unfinished-restore.json"
"""In the data folder only while a swap is under way."""
SERVED = "The server or an update is running, and what is written meanwhile would be lost. Stop it first."


class NotNow(RuntimeError):
    """Somebody else has the data; the message is a sentence for people."""


def refuse_half_restored(data: Path) -> None:
    """Raises NotNow while the data are swapped by half: then they are neither the old ones nor the new."""
    if os.path.lexists(data / UNFINISHED):
        raise NotNow("A restore was cut off half way. Finish it first: manage.py restore --finish")


@contextlib.contextmanager
def shared_lock(data: Path) -> Iterator[None]:
    """Use what is in the folder, as others may too. Raises NotNow during a restore, and after one that was cut off."""
    with _running_lock(data, shared=True, busy="A restore is going on. Start again when it has ended."):
        # Only now: before the lock was there, a restore could still begin.
        refuse_half_restored(data)
        yield


@contextlib.contextmanager
def exclusive_lock(data: Path, *, busy: str = SERVED) -> Iterator[None]:
    """Have the folder for oneself. Raises NotNow, with the words of `busy`, while the site is served from it."""
    with _running_lock(data, shared=False, busy=busy):
        yield


@contextlib.contextmanager
def _running_lock(data: Path, shared: bool, busy: str) -> Iterator[None]:
    try:
        with locked(data / RUNNING_LOCK, shared=shared):
            yield
    except CannotLock as error:
        raise NotNow(f"{error.strerror}.") from None
    except InUse:
        raise NotNow(busy) from None


def begin_to_serve(data: Path) -> None:
    """Use the folder for the rest of this process and those it forks. Raises NotNow as `shared_lock` does."""
    _serving.enter_context(shared_lock(data))


_serving = contextlib.ExitStack()
