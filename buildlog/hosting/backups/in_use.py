"""Locks on the data folder: shared while a process serves from it, exclusive while its content is replaced."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

from buildlog.storage.durable_files import CannotLock, InUse, locked

RUNNING_LOCK = "running.lock"
"""Shared by every process that serves the site; exclusive while data are replaced or copied to another database."""
UNFINISHED = ".unfinished-restore.json"
"""In the data folder only while a swap is under way."""
SERVED = "The server or an update is running, and what is written meanwhile would be lost. Stop it first."


class NotNow(RuntimeError):
    """Another process has locked the data; the message is a sentence to show."""


def refuse_half_restored(data: Path) -> None:
    """Raises NotNow while a restore is unfinished: then the data are a mix of the old and the new."""
    if os.path.lexists(data / UNFINISHED):
        raise NotNow("A restore was cut off half way. Finish it first: manage.py restore --finish")


@contextlib.contextmanager
def shared_lock(data: Path) -> Iterator[None]:
    """A shared lock on the folder. Raises NotNow during a restore, and after one that was cut off."""
    with _running_lock(data, shared=True, busy="A restore is going on. Start again when it has ended."):
        # Check only under the lock: without it, a restore could still begin.
        refuse_half_restored(data)
        yield


@contextlib.contextmanager
def exclusive_lock(data: Path, *, busy: str = SERVED) -> Iterator[None]:
    """An exclusive lock on the folder. Raises NotNow, with the sentence `busy`, while the site is served from it."""
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
    """Keep a shared lock for the rest of this process and those it forks. Raises NotNow as `shared_lock` does."""
    _serving.enter_context(shared_lock(data))


_serving = contextlib.ExitStack()
