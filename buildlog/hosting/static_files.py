"""Static files under names that carry their content's hash, collected once for each version of them."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable, Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Any

import brotli
from django.apps import apps
from django.conf import settings
from django.contrib.staticfiles.finders import get_finders
from django.contrib.staticfiles.management.commands import collectstatic
from django.core.files.base import ContentFile, File
from django.core.management import call_command
from django.utils.functional import cached_property
from whitenoise.compress import Compressor
from whitenoise.storage import CompressedManifestStaticFilesStorage

from buildlog.hosting.module_bundle import bundle, minified, minified_styles
from buildlog.storage.durable_files import chown_like_parent, locked

FIELD_PAGE = "field/start.js"
"""The script of the field page, which comes with all that it imports."""
FIELD_STYLES = ("field/field.css", "css/tokens.css")
PACKED_TIGHT_BYTES = 300_000
LOCK = "static.lock"
FOLDER = "static-"
MAKERS = ("django", "whitenoise", "brotli", "tdewolff-minify")
ROOM = 2.5
"""How much room collecting takes, in sizes of what is collected: a copy, one with its hash in the name, and packed."""


class NoRoom(RuntimeError):
    """The disk is too full to collect them; the message is a sentence for people that says how much it takes."""


class QuickCompressor(Compressor):  # type: ignore[misc]  # whitenoise has no types
    """Packs small files as tight as brotli can, which takes a chart library of megabytes half a minute."""

    @staticmethod
    def compress_brotli(data: bytes) -> bytes:
        packed: bytes = brotli.compress(data, quality=11 if len(data) <= PACKED_TIGHT_BYTES else 5)
        return packed


class ModuleStorage(CompressedManifestStaticFilesStorage):  # type: ignore[misc]  # whitenoise has no types
    """Also rewrites what our own modules import from each other, so that one version of a page can never
    load a module of another. Scripts of installed packages import nothing, and are left as they are.

    What the field page is made of is minified, and its script is one with all that it imports: so it comes over a
    weak network with 3 requests instead of 45, and half as large. Each file is also kept as brotli and gzip pack it."""

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
        # Also under the name with its hash, for which the framework opens the source once more.
        plain = f"{name.partition('.')[0]}{Path(name).suffix}"
        if plain == FIELD_PAGE:
            content = ContentFile(self._field_page)
        elif plain in FIELD_STYLES:
            content = ContentFile(minified_styles(b"".join(content.chunks()).decode()).encode())
        saved: str = super()._save(name, content)
        return saved

    @cached_property
    def _field_page(self) -> bytes:
        return minified(bundle(settings.PROJECT / "static" / FIELD_PAGE)).encode()

    def create_compressor(self, **options: Any) -> Compressor:
        return QuickCompressor(**options)


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
    needed_bytes = ROOM * sum(len(content) for _, content in _sources())
    free = shutil.disk_usage(data).free
    if free < needed_bytes:
        raise NoRoom(
            f"This version's static files need about {needed_bytes / 1e6:.0f} MB on the disk of {data} while they are "
            f"collected, and {free / 1e6:.0f} MB are free. Make room, then start again."
        )


def _collect(collected: Path) -> None:
    for stale in collected.parent.glob(f".{FOLDER}*.part"):
        shutil.rmtree(stale, ignore_errors=True)
    part = collected.with_name(f".{collected.name}.part")
    try:
        part.mkdir(mode=0o700)
        command = collectstatic.Command()
        command.storage = ModuleStorage(location=part)
        call_command(command, interactive=False, verbosity=0)
        for path in (part, *part.rglob("*")):
            chown_like_parent(path, collected.parent)
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
