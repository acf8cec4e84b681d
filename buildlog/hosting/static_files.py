"""Static files under names that carry their content's hash, collected once for each version of them."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
from collections.abc import Callable, Iterator
from fnmatch import fnmatch
from importlib.metadata import version
from pathlib import Path
from typing import Any

from django.apps import apps
from django.conf import settings
from django.contrib.staticfiles.finders import get_finders
from django.contrib.staticfiles.management.commands import collectstatic
from django.core.files.base import ContentFile, File
from django.core.management import call_command
from whitenoise.storage import CompressedManifestStaticFilesStorage

from buildlog.storage.durable_files import as_the_folder_is_owned, locked

COMMENT_LINE = re.compile(rb"^[ ]*//.*\n", re.MULTILINE)
LOCK = "static.lock"
FOLDER = "static-"
MAKERS = ("django", "whitenoise")
ROOM = 2.5
"""How much room collecting takes, in sizes of what is collected: a copy, one with its hash in the name, and packed."""


class NoRoom(RuntimeError):
    """The disk is too full to collect them; the message is a sentence for people that says how much it takes."""


class ModuleStorage(CompressedManifestStaticFilesStorage):  # type: ignore[misc]  # whitenoise has no types
    """Also rewrites what our own modules import from each other, so that one version of a page can never
    load a module of another. Scripts of installed packages import nothing, and are left as they are.

    The comments of the field page, an eighth of it, stay at home: they are on lines of their own."""

    patterns = (
        *CompressedManifestStaticFilesStorage.patterns,
        *(
            (folder, replacements)
            for glob, replacements in (CompressedManifestStaticFilesStorage._js_module_import_aggregation_patterns,)
            if glob == "*.js"
            for folder in ("field/*.js", "js/*.js")
        ),
    )

    # A module's hash rests on those of all that it imports; each pass settles one step of the longest chain.
    max_post_process_passes = 20

    def _save(self, name: str, content: File[bytes]) -> str:
        if fnmatch(name, "field/*.js"):
            content = ContentFile(COMMENT_LINE.sub(b"", b"".join(content.chunks())))
        saved: str = super()._save(name, content)
        return saved


def collect_once(data: Path, say: Callable[[str], object]) -> Path:
    """The folder in the data folder that holds the static files of this version, collected unless it is there.

    Two that start at one moment get one folder, and nobody sees it before it is whole. The folder of the version
    before stays, for a server that still runs on it. Raises NoRoom, or OSError.
    """
    collected = data / f"{FOLDER}{_fingerprint()}"
    if collected.is_dir():
        return collected
    with locked(data / LOCK, wait=True):
        if not collected.is_dir():
            _refuse_without_room(data)
            say("Collecting static files …")
            _collect(collected)
            _remove_old(data, collected)
    return collected


def _fingerprint() -> str:
    """Of all that is collected, and of what collects it."""
    whole = hashlib.sha256(Path(__file__).read_bytes())
    whole.update("\n".join([settings.STATIC_URL, *map(version, MAKERS)]).encode())
    for path, content in _sources():
        whole.update(f"\n{path}\n{hashlib.sha256(content).hexdigest()}".encode())
    return whole.hexdigest()[:16]


def _sources() -> Iterator[tuple[str, bytes]]:
    config: Any = apps.get_app_config("staticfiles")
    left_out = config.ignore_patterns
    for finder in get_finders():
        for path, storage in finder.list(left_out):
            with storage.open(path, "rb") as file:
                yield path, file.read()


def _refuse_without_room(data: Path) -> None:
    wanted = ROOM * sum(len(content) for _, content in _sources())
    free = shutil.disk_usage(data).free
    if free < wanted:
        raise NoRoom(
            f"This version's static files need about {wanted / 1e6:.0f} MB on the disk of {data} while they are "
            f"collected, and {free / 1e6:.0f} MB are free. Make room, then start again."
        )


def _collect(collected: Path) -> None:
    for left_by_one_that_was_killed in collected.parent.glob(f".{FOLDER}*.part"):
        shutil.rmtree(left_by_one_that_was_killed, ignore_errors=True)
    part = collected.with_name(f".{collected.name}.part")
    try:
        part.mkdir(mode=0o700)
        command = collectstatic.Command()
        command.storage = ModuleStorage(location=part)
        call_command(command, interactive=False, verbosity=0)
        for path in (part, *part.rglob("*")):
            as_the_folder_is_owned(path, collected.parent)
        # The folder's name promises that all of it is there, also after a power cut.
        os.sync()
        part.rename(collected)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise


def _remove_old(data: Path, collected: Path) -> None:
    others = [folder for folder in data.glob(f"{FOLDER}*") if folder != collected and folder.is_dir()]
    before = max(others, key=lambda folder: folder.stat().st_mtime, default=None)
    # Versions up to 0.8 collected into one folder for all.
    for old in [*(folder for folder in others if folder != before), data / "static"]:
        shutil.rmtree(old, ignore_errors=True)
