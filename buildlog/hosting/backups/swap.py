"""Putting restored data in the place of the running ones, so that a power cut in between leaves nothing lost."""

from __future__ import annotations

import errno
import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path

from buildlog.hosting.backups.database import LIVE_NAME
from buildlog.hosting.backups.in_use import UNFINISHED
from buildlog.storage.durable_files import sync_folder, write_whole

NO_LINKS = (errno.EPERM, errno.EOPNOTSUPP, errno.ENOTSUP, errno.ENOSYS)
"""From disks without hard links: there a copy takes the place of a second name, once it is whole."""


class RestoreFailed(RuntimeError):
    """The restore did not come to its end; the message is a sentence for people."""


class RestoredByHalf(RestoreFailed):
    """It can be finished once what is in the way is gone."""


def plan_swap(data: Path, staged: Path, replaced: Path) -> None:
    """Write down what is to be swapped. From here on the swap is finished, whatever happens in between.

    Raises RestoreFailed where a name can be seen beforehand not to move.
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
                # Each file's second name, already now: where it cannot have one, nothing has happened yet.
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
    # Uploads first: where their folder cannot be renamed, nothing else has happened yet.
    names.sort(key=lambda name: (name != "media", name != LIVE_NAME))
    plan = {"staged": staged.name, "kept": replaced.name, "comes": names}
    write_whole(data / UNFINISHED, json.dumps(plan).encode())


def finish_unfinished(data: Path, step: Callable[[str], None] = lambda _: None) -> bool:
    """Do what is left of a swap, from wherever it was cut off. True if there was one.

    Every step can be done again, and leaves either the old or the new under a name. `step` is told of each
    before it is done. The caller has the folder alone. Raises RestoreFailed when a step fails.
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
            half = "The data are swapped by half: mend that, then manage.py restore --finish"
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
        return  # It is in its place already.
    if name == LIVE_NAME:
        # What is not yet in the old database's own file must stay with it, and never meet the new one.
        for beside in (f"{name}-wal", f"{name}-shm"):
            if os.path.lexists(data / beside):
                step(f"keep {beside}")
                os.replace(data / beside, replaced / beside)
    if os.path.lexists(live) and not os.path.lexists(old):
        step(f"keep {name}")
        if os.path.islink(live):
            # It may lead from where it stands, and would lead elsewhere from its new place.
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
    """Whether everything old still has its name: what is in `replaced` then is a second one of it."""
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
