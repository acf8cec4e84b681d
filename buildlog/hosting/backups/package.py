"""The file of a backup: an ordinary zip with a list of its parts, sealed as a whole.

`database.sqlite3`, `media/…` and `settings/…` are the parts; `manifest.json` lists each with its size and
SHA-256. The zip's comment ends in the SHA-256 of every byte before it, so a change of any single bit is
detected, also outside of the parts. Any zip program can open the file.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import stat
import struct
import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from buildlog.storage.durable_files import chown_like_parent, new_file, sync_folder

FORMAT = 1
DATABASE = "database.sqlite3"
MANIFEST = "manifest.json"
BLOCK_BYTES = 1024 * 1024
LARGEST_MANIFEST_BYTES = 64 * 1024 * 1024
SEAL = b"Firnlog backup. SHA-256 of all before this: "
PACKED_ALREADY = (".jpg", ".npz", ".zip", ".gz")
UNREADABLE = (
    zipfile.BadZipFile,
    zlib.error,
    struct.error,
    EOFError,
    KeyError,
    ValueError,
    RuntimeError,
    OverflowError,
    RecursionError,
)


class NotABackup(ValueError):
    """The file cannot be restored; the message is a sentence to show."""


@dataclass(frozen=True)
class Part:
    name: str
    size_bytes: int
    sha256: str


@dataclass(frozen=True)
class Manifest:
    """The contents of a backup, as its own list states them."""

    made_at: str
    version: str
    migrations: tuple[str, ...]
    counts: dict[str, int]
    missing_files: tuple[str, ...]
    environment: dict[str, str]
    parts: tuple[Part, ...]

    @property
    def record_count(self) -> int:
        return sum(self.counts.values())

    @property
    def file_count(self) -> int:
        return sum(part.name.startswith("media/") for part in self.parts)

    @property
    def unpacked_bytes(self) -> int:
        return sum(part.size_bytes for part in self.parts)


class Writer:
    """Writes a backup under a temporary name; it gets its final name once it is complete and synced to the disk."""

    def __init__(self, target: Path) -> None:
        self.target = target
        self.part = target.with_name(f".{target.name}.{secrets.token_hex(4)}.part")
        self.parts: list[Part] = []

    def __enter__(self) -> Writer:
        self._file = os.fdopen(os.open(self.part, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600), "w+b")
        try:
            self._zip = zipfile.ZipFile(self._file, "w", zipfile.ZIP_DEFLATED)
        except BaseException:
            self._discard()
            raise
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is not None:
            self._discard()

    def _discard(self) -> None:
        # Closing the zip would write the rest of it; only the file is closed, then removed.
        self._zip.fp = None
        try:
            self._file.close()
        except OSError:
            pass
        finally:
            self.part.unlink(missing_ok=True)

    def add(self, name: str, content: IO[bytes]) -> None:
        info = zipfile.ZipInfo(name)
        info.external_attr = (stat.S_IFREG | 0o600) << 16
        packed = name.endswith(PACKED_ALREADY)
        info.compress_type = zipfile.ZIP_STORED if packed else zipfile.ZIP_DEFLATED
        digest, size = hashlib.sha256(), 0
        with self._zip.open(info, "w", force_zip64=True) as into:
            while block := content.read(BLOCK_BYTES):
                digest.update(block)
                size += len(block)
                into.write(block)
        self.parts.append(Part(name, size, digest.hexdigest()))

    def finish(self, **facts: Any) -> Manifest:
        """Write the list of parts and the seal, and give the file its name."""
        manifest = Manifest(parts=tuple(self.parts), **facts)
        listed = {"firnlog": "backup", "format": FORMAT, **manifest.__dict__}
        listed["parts"] = [part.__dict__ for part in manifest.parts]
        self._zip.writestr(MANIFEST, json.dumps(listed, indent=1, ensure_ascii=False))
        self._zip.comment = SEAL + b"0" * 64
        self._zip.close()
        seal = _digest_without_seal(self._file)
        self._file.seek(-64, os.SEEK_END)
        self._file.write(seal)
        self._file.flush()
        os.fsync(self._file.fileno())
        self._file.close()
        read(self.part)  # What cannot be read again is no backup.
        chown_like_parent(self.part)
        os.replace(self.part, self.target)
        sync_folder(self.target.parent)
        return manifest


def _digest_without_seal(file: IO[bytes]) -> bytes:
    left = file.seek(0, os.SEEK_END) - 64
    file.seek(0)
    digest = hashlib.sha256()
    while left and (block := file.read(min(BLOCK_BYTES, left))):
        digest.update(block)
        left -= len(block)
    return digest.hexdigest().encode()


def read(path: Path) -> Manifest:
    """Check every byte of a backup, and return its manifest. Nothing is unpacked.

    Raises NotABackup with a sentence.
    """
    try:
        with path.open("rb") as file:
            _check_seal(file)
            with zipfile.ZipFile(file) as packed:
                manifest = _manifest(packed)
                _check_parts(packed, manifest)
                return manifest
    except NotABackup:
        raise
    except UNREADABLE:
        raise NotABackup("The file is sealed, but its inside is not that of a backup.") from None
    except OSError as error:
        raise NotABackup(f"The file cannot be read: {error.strerror or error}.") from None


def listed(path: Path) -> Manifest | None:
    """The manifest of a backup, read quickly: neither seal nor parts are checked. None where there is none."""
    try:
        with zipfile.ZipFile(path) as packed:
            return _manifest(packed)
    except (NotABackup, OSError, *UNREADABLE):
        return None


def _check_seal(file: IO[bytes]) -> None:
    size = file.seek(0, os.SEEK_END)
    if size < len(SEAL) + 64:
        raise NotABackup("This is not a backup: the file is too short.")
    file.seek(-len(SEAL) - 64, os.SEEK_END)
    if file.read(len(SEAL)) != SEAL:
        raise NotABackup(
            "This is not a backup, or its end is missing. If it was copied here, copy it again; else take another."
        )
    if file.read(64) != _digest_without_seal(file):
        raise NotABackup(
            "The backup is damaged: it is not what was written when it was made. Copy it again, or take another."
        )


def _manifest(packed: zipfile.ZipFile) -> Manifest:
    names = [info.filename for info in packed.infolist()]
    if len(set(names)) != len(names):
        raise NotABackup("Two parts of the backup have the same name.")
    if MANIFEST not in names or packed.getinfo(MANIFEST).file_size > LARGEST_MANIFEST_BYTES:
        raise NotABackup("The list of the backup's parts is missing.")
    listing = json.loads(packed.read(MANIFEST))
    if (
        not isinstance(listing, dict)
        or listing.get("firnlog") != "backup"
        or not isinstance(listing.get("format"), int)
    ):
        raise NotABackup("The list of the backup's parts is not one of ours.")
    if listing["format"] > FORMAT:
        raise NotABackup(
            f"The backup has format {listing['format']}, from a newer version; this one reads up to {FORMAT}. "
            "Update the program first."
        )
    try:
        manifest = Manifest(
            made_at=str(listing["made_at"]),
            version=str(listing["version"]),
            migrations=tuple(map(str, listing["migrations"])),
            counts={str(table): int(count) for table, count in listing["counts"].items()},
            missing_files=tuple(map(str, listing["missing_files"])),
            environment={str(name): str(value) for name, value in listing["environment"].items()},
            parts=tuple(
                Part(str(part["name"]), int(part["size_bytes"]), str(part["sha256"])) for part in listing["parts"]
            ),
        )
    except (KeyError, TypeError, ValueError, AttributeError):
        raise NotABackup("The list of the backup's parts is not one of ours.") from None
    for part in manifest.parts:
        if not is_part_name(part.name):
            raise NotABackup(f"A part of the backup has a name that leads elsewhere: {part.name[:80]!r}.")
    if {part.name for part in manifest.parts} | {MANIFEST} != set(names) or len(manifest.parts) + 1 != len(names):
        raise NotABackup("The backup's parts are not those of its list.")
    if DATABASE not in names:
        raise NotABackup("The backup holds no database.")
    return manifest


def is_part_name(name: str) -> bool:
    """Whether a part of a backup may have this name: the database's, an upload's or a setting's."""
    folder, _, rest = name.partition("/")
    steps = rest.split("/")
    if name == DATABASE:
        return True
    if any("\ud800" <= character <= "\udfff" for character in name):
        return False  # Undecodable bytes in a file name, written in another encoding.
    if folder not in ("media", "settings") or (folder == "settings" and len(steps) != 1):
        return False
    return all(step and not step.startswith(".") and not set(step) & set('\\:\0"<>|*?') for step in steps)


def _check_parts(packed: zipfile.ZipFile, manifest: Manifest) -> None:
    for part in manifest.parts:
        info = packed.getinfo(part.name)
        kind = stat.S_IFMT(info.external_attr >> 16)
        if info.flag_bits & 1 or kind not in (0, stat.S_IFREG) or info.file_size != part.size_bytes:
            raise NotABackup(f"The part {part.name} is not what the backup's list says.")
        copy_part(packed, part, None)


def copy_part(packed: zipfile.ZipFile, part: Part, into: IO[bytes] | None) -> None:
    """Read one part, and check it against the list while it is written."""
    digest, size = hashlib.sha256(), 0
    with packed.open(part.name) as content:
        while block := content.read(BLOCK_BYTES):
            size += len(block)
            if size > part.size_bytes:
                break
            digest.update(block)
            if into is not None:
                into.write(block)
    if size != part.size_bytes or digest.hexdigest() != part.sha256:
        raise NotABackup(f"The part {part.name} is not what the backup's list says.")


def unpack(path: Path, manifest: Manifest, folder: Path) -> None:
    """Write every part into a new folder, and sync each to the disk."""
    folders = {folder}
    with zipfile.ZipFile(path) as packed:
        for part in manifest.parts:
            target = folder / part.name
            target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            folders.update(parent for parent in target.parents if parent.is_relative_to(folder))
            with new_file(target) as file:
                copy_part(packed, part, file)
                file.flush()
                os.fsync(file.fileno())
    for written_folder in folders:
        sync_folder(written_folder)
