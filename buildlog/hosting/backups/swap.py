"""Swapping restored data for the running data in steps that survive a power cut."""

from __future__ import annotations

import errno
import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path

from buildlog.hosting.backups.database import LIVE_NAME
from buildlog.hosting.backups.in_use import UNFINISHED
from buildlog.storage.durable_files import sync_folder, write_atomically

NO_LINKS = (errno.EPERM, errno.EOPNOTSUPP, errno.ENOTSUP, errno.ENOSYS)
"""Errors of file systems without hard links: there a complete copy takes the place of a link."""


class RestoreFailed(RuntimeError):
    """The restore did not finish; the message is a sentence to show."""


class RestoredByHalf(RestoreFailed):
    """The restore stopped half way, and can be finished once the cause is removed."""


def plan_swap(data: Path, staged: Path, replaced: Path) -> None:
    """Write the plan of the swap to the disk. From here on, an interrupted swap can be finished.

    Raises RestoreFailed where it is clear beforehand that a file or folder cannot be moved.
    """
    names = sorted(
        path.name
        for path in staged.iterdir()
        if not path.name.startswith((LIVE_NAME + "-", ".")) and path.suffix != ".lock"
    )
    for name in names:
        live = data / name
        try:
            is_mounted = os.path.ismount(live)
            if os.path.isfile(live) and not os.path.islink(live):
                # Link each file now: where that fails, nothing has changed yet.
                _hard_link(live, replaced / name)
        except OSError as error:
            if error.errno != errno.EXDEV:
                raise
            is_mounted = True
        if is_mounted:
            raise RestoreFailed(
                f"{live} is mounted by itself, so it cannot be put aside. Unmount it while you restore, and move what "
                "comes back to where it was mounted from; or have the whole data folder there. "
                "Your data are as they were."
            )
    # Uploads first: where their folder cannot be renamed, nothing else has changed yet.
    names.sort(key=lambda name: (name != "media", name != LIVE_NAME))
    plan = {"staged": staged.name, "kept": replaced.name, "comes": names}
    write_atomically(data / UNFINISHED, json.dumps(plan).encode())


def finish_unfinished(data: Path, step: Callable[[str], None] = lambda _: None) -> bool:
    """Finish a swap from wherever it was cut off. True if there was one.

    Every step can be repeated, and leaves either the old or the new content under a name. `step` is called with
    each before it is taken. The caller has the exclusive lock. Raises RestoreFailed when a step fails.
    """
    try:
        plan = json.loads((data / UNFINISHED).read_text())
    except FileNotFoundError:
        return False
    staged, replaced = data / plan["staged"], data / plan["kept"]
    try:
        for name in plan["comes"]:
            _swap(name, data, staged, replaced, step)
    except OSError as error:
        why = f"{error.strerror} ({error.filename})."
        if not _nothing_has_moved(plan["comes"], data, staged, replaced):
            half = "The data are swapped by half: correct that, then manage.py restore --finish"
            raise RestoredByHalf(f"{why} {half}") from error
        (data / UNFINISHED).unlink()
        sync_folder(data)
        for folder in (staged, replaced):
            shutil.rmtree(folder, ignore_errors=True)
        raise RestoreFailed(f"{why} Your data are as they were.") from error
    step("forget the plan")
    (data / UNFINISHED).unlink()
    sync_folder(data)
    shutil.rmtree(staged, ignore_errors=True)
    return True


def _swap(name: str, data: Path, staged: Path, replaced: Path, step: Callable[[str], None]) -> None:
    new, live, old = staged / name, data / name, replaced / name
    if not os.path.lexists(new):
        return  # It was moved before.
    if name == LIVE_NAME:
        # The old database's WAL must stay with it, and never be applied to the new one.
        for beside in (f"{name}-wal", f"{name}-shm"):
            if os.path.lexists(data / beside):
                step(f"keep {beside}")
                os.replace(data / beside, replaced / beside)
    if os.path.lexists(live) and not os.path.lexists(old):
        step(f"keep {name}")
        if os.path.islink(live):
            # A relative link would point elsewhere from its new place.
            os.symlink(os.path.realpath(live), old)
            sync_folder(replaced)
            os.unlink(live)
        elif os.path.isdir(live):
            os.rename(live, old)
        else:
            _hard_link(live, old)
    step(f"bring {name}")
    os.replace(new, live)
    sync_folder(replaced)
    sync_folder(data)


def _nothing_has_moved(names: list[str], data: Path, staged: Path, replaced: Path) -> bool:
    """Whether all old content still has its name; then `replaced` only holds links to it."""
    return all(os.path.lexists(staged / name) for name in names) and all(
        os.path.lexists(data / path.name) for path in replaced.iterdir()
    )


def _hard_link(live: Path, old: Path) -> None:
    try:
        os.link(live, old)
    except OSError as error:
        if error.errno not in NO_LINKS:
            raise
        part = old.with_name(f".{old.name}.part")
        shutil.copy2(live, part)
        sync_folder(part)
        os.replace(part, old)
