"""A stored file as it is to be read: out of a gzip or a zip, without the zero bytes that a power cut leaves at its end.

What is unpacked goes to a temporary file and is limited in size, so that no small file can fill the disk.
"""

from __future__ import annotations

import gzip
import io
import re
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import IO, Any, cast

from sessions.logs.file_kinds import (
    FIT,
    GZIP_MARK,
    READ_KINDS,
    SHEET,
    ZIP_MARK,
    kind_of,
)
from sessions.logs.series import NotARecording

LARGEST_BYTES = 400 * 1024 * 1024
LARGEST_SHEET_BYTES = 100 * 1024 * 1024
"""A spreadsheet is in memory whole while it is read: some two million cells."""
MOST_MEMBERS = 5000
BLOCK_BYTES = 1024 * 1024
HEAD_BYTES = 64 * 1024
_SHEET_MEMBERS = ("xl/workbook.xml", "xl/workbook.bin", "content.xml")
_ENDINGS = (".gpx", ".fit", ".tcx", ".nmea", ".geojson", ".kml", ".csv", ".tsv", ".txt", ".log", ".jsonl", ".ndjson",
            ".xlsx", ".xls", ".ods", ".json", ".dat", ".asc")  # fmt: skip

_ABOUT = re.compile(r"(^|/)(read.?me|licen[cs]e|notes?|about|copying)[^/]*$", re.IGNORECASE)


@dataclass
class Unpacked:
    """A file to be read from its beginning."""

    file: IO[bytes]
    size: int
    name: str
    kind: str
    notes: list[str] = field(default_factory=list)


@contextmanager
def unpacked(file: IO[bytes], size: int, name: str) -> Iterator[Unpacked]:
    """A stored file out of its gzip or zip. Raises NotARecording with a sentence."""
    file.seek(0)
    head = file.read(HEAD_BYTES)
    file.seek(0)
    with tempfile.TemporaryFile() as target:
        notes: list[str] = []
        if head.startswith(GZIP_MARK):
            name = name[:-3] if name.lower().endswith(".gz") else name
            size = _from_gzip(file, target, notes)
            file = target
        elif head.startswith(ZIP_MARK):
            member = _member_of(file)
            if member is not None:
                size, name = _from_zip(file, member, target, notes), member.rsplit("/", 1)[-1]
                file = target
        file.seek(0)
        head = file.read(HEAD_BYTES)
        file.seek(0)
        kind = kind_of(head, name)
        if kind == SHEET and head.startswith(ZIP_MARK):
            _check_sheet(file)
            file.seek(0)
        if kind not in (FIT, SHEET):
            shorter = _without_zeros(file, size, head)
            if shorter < size:
                notes.append(f"It ends in {size - shorter:,} zero bytes, as after a power cut; they are ignored.")
                file, size = cast(IO[bytes], _Part(file, shorter)), shorter
        yield Unpacked(file, size, name, kind, notes)


def _from_gzip(file: IO[bytes], target: IO[bytes], notes: list[str]) -> int:
    return _copied(gzip.GzipFile(fileobj=file), target, notes)


def _from_zip(file: IO[bytes], member: str, target: IO[bytes], notes: list[str]) -> int:
    try:
        with zipfile.ZipFile(file) as packed, packed.open(member) as source:
            return _copied(source, target, notes)
    except (RuntimeError, NotImplementedError):
        raise NotARecording(f"{member[-60:]} in the zip is encrypted or packed in an unusual way. Unpack it.") from None


def _copied(source: Any, target: IO[bytes], notes: list[str]) -> int:
    size = 0
    try:
        # One piece at a time, so that what comes before a break is not lost with it.
        while block := source.read1(BLOCK_BYTES):
            size += len(block)
            if size > LARGEST_BYTES:
                raise NotARecording(
                    f"Unpacked, the file has more than {LARGEST_BYTES / 1e6:.0f} MB. Import a part of it."
                )
            target.write(block)
    except (EOFError, zlib.error, gzip.BadGzipFile, zipfile.BadZipFile):
        if not size:
            raise NotARecording(
                "The compressed file is damaged from its beginning. Copy it from the instrument again."
            ) from None
        notes.append(f"The compressed file breaks off: {size:,} bytes could be unpacked, and are read.")
    if not size:
        raise NotARecording("The compressed file holds nothing.")
    return size


def _member_of(file: IO[bytes]) -> str | None:
    """The one recording in a zip; None for a spreadsheet, which is a zip itself. Raises NotARecording for several."""
    try:
        with zipfile.ZipFile(file) as packed:
            names = packed.namelist()
    except (zipfile.BadZipFile, ValueError, NotImplementedError):
        raise NotARecording(
            "The zip or spreadsheet is damaged: its end is missing, or was changed. Copy it from the instrument again."
        ) from None
    if len(names) > MOST_MEMBERS:
        raise NotARecording(f"The zip holds {len(names):,} files. Unpack it, and import the recording itself.")
    if any(name in names for name in _SHEET_MEMBERS):
        return None
    files = [name for name in names if not name.endswith("/") and not name.startswith("__MACOSX/")]
    files = [name for name in files if not name.rsplit("/", 1)[-1].startswith(".")]
    likely = [name for name in files if name.lower().removesuffix(".gz").endswith(_ENDINGS)]
    # What was written about a recording lies beside it.
    recordings = [name for name in likely if not _ABOUT.search(name)]
    candidates = recordings or likely or files
    if len(candidates) == 1:
        return candidates[0]
    if not candidates:
        raise NotARecording(f"The zip holds no file. {READ_KINDS}")
    listed = ", ".join(name.rsplit("/", 1)[-1][:40] for name in candidates[:5])
    raise NotARecording(
        f"The zip holds {len(candidates)} files that may be recordings ({listed}). Unpack it, and import each."
    )


def _check_sheet(file: IO[bytes]) -> None:
    """Every member of a spreadsheet is unpacked once and counted: what its directory says may be wrong on purpose."""
    total = 0
    try:
        with zipfile.ZipFile(file) as packed:
            if sum(member.file_size for member in packed.infolist()) > LARGEST_SHEET_BYTES:
                raise _too_large_a_sheet()
            for member in packed.infolist():
                with packed.open(member) as source:
                    while block := source.read(BLOCK_BYTES):
                        total += len(block)
                        if total > LARGEST_SHEET_BYTES:
                            raise _too_large_a_sheet()
    except (zipfile.BadZipFile, zlib.error, EOFError, RuntimeError, NotImplementedError):
        raise NotARecording(
            "The spreadsheet's file is damaged or encrypted. Save it again, or export it as CSV."
        ) from None


def _too_large_a_sheet() -> NotARecording:
    return NotARecording(
        f"Unpacked, the spreadsheet has more than {LARGEST_SHEET_BYTES / 1e6:.0f} MB. Export it as CSV instead."
    )


def _without_zeros(file: IO[bytes], size: int, head: bytes) -> int:
    """The size of a text file without the zero bytes at its end."""
    end = size
    while end:
        start = max(end - HEAD_BYTES, 0)
        file.seek(start)
        block = file.read(end - start)
        kept = len(block.rstrip(b"\0"))
        end = start + kept
        if kept:
            break
    file.seek(0)
    if end == size or not end:
        # One that holds nothing else is refused as empty by whoever reads it.
        return size if end == size else 0
    # In UTF-16 every second byte of plain text is zero, and that of the last letter belongs to it.
    is_wide = head.startswith((b"\xff\xfe", b"\xfe\xff")) or head[:end][:2000].count(0) > 0.3 * len(head[:end][:2000])
    return min(end + end % 2, size) if is_wide else end


class _Part(io.BufferedIOBase):
    """The beginning of a file, up to a size."""

    def __init__(self, file: IO[bytes], size: int) -> None:
        self._file, self._size = file, size

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._file.tell()

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        return self._file.seek(self._size + offset if whence == io.SEEK_END else offset, 1 if whence == 1 else 0)

    def read(self, size: int | None = -1) -> bytes:
        left = max(self._size - self._file.tell(), 0)
        return self._file.read(left if size is None or size < 0 else min(size, left))

    def read1(self, size: int = -1) -> bytes:
        return self.read(size)

    def close(self) -> None:
        # The file belongs to whoever opened it.
        pass
