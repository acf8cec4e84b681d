"""Reading parts of a stored file: from a disk as any file, from an object store by requests for ranges of bytes."""

from __future__ import annotations

import io
from typing import IO, Any, cast

from django.db.models.fields.files import FieldFile

SLICE_BYTES = 256 * 1024
"""So much is asked of an object store at once, at least: a request takes as long as a megabyte does."""


def open_for_slices(field: FieldFile) -> IO[bytes]:
    """A stored file of which parts are read. Raises FileNotFoundError where it is gone."""
    file = field.storage.open(field.name or "", "rb")
    stored = getattr(file, "obj", None)
    if stored is None:
        return cast(IO[bytes], file)
    # The client's own file would fetch the whole object first.
    return cast(IO[bytes], io.BufferedReader(_Ranges(stored, file.size), SLICE_BYTES))


class _Ranges(io.RawIOBase):
    """An object of a store, read by ranges (RFC 9110, section 14.2)."""

    def __init__(self, stored: Any, size: int) -> None:
        self._stored, self._size, self._at = stored, size, 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._at

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        self._at = offset + {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self._size}[whence]
        return self._at

    def readinto(self, buffer: Any) -> int:
        wanted = min(len(buffer), self._size - self._at)
        if wanted <= 0:
            return 0
        answer = self._stored.get(Range=f"bytes={self._at}-{self._at + wanted - 1}")
        content = answer["Body"].read()
        buffer[: len(content)] = content
        self._at += len(content)
        return len(content)
