"""The columns of a log in one compact file: NumPy's own format, compressed.

Parquet would need a library of a hundred megabytes for what numpy reads already; a column of a million
numbers takes a few megabytes here, and only the columns that are asked for are unpacked.
"""

from __future__ import annotations

import hashlib
import io
from dataclasses import dataclass
from typing import IO, Any

import numpy as np
from django.core.files.base import ContentFile

from buildlog.stored_files import stored_together
from calc.geodesy import track_length_m
from sessions.logs.gpx import Track
from sessions.models import Log, Session
from sessions.tracks import SMALLEST_STEP_M

BLOCK_BYTES = 1024 * 1024


@dataclass(frozen=True)
class Columns:
    time_s: Any
    lat_deg: Any
    lon_deg: Any


def read_columns(log: Log) -> Columns:
    with log.columns.open("rb") as file, np.load(file, allow_pickle=False) as held:
        return Columns(held["time_s"], held["lat_deg"], held["lon_deg"])


def fingerprint(file: IO[bytes]) -> str:
    """SHA-256 of a file, read in blocks; the file stands at its beginning again afterwards."""
    found = hashlib.sha256()
    file.seek(0)
    while block := file.read(BLOCK_BYTES):
        found.update(block)
    file.seek(0)
    return found.hexdigest()


def packed_columns(track: Track) -> bytes:
    packed = io.BytesIO()
    np.savez_compressed(packed, time_s=track.time_s, lat_deg=track.lat_deg, lon_deg=track.lon_deg)
    return packed.getvalue()


def store_track(session: Session, file: Any, track: Track) -> Log:
    """Keep the file as it came, its columns and its summary: all of it, or nothing.

    Raises ValidationError when this very file is stored with the session already.
    """
    log = Log(
        session=session, kind=Log.Kind.GPX, name=str(file.name)[-120:], sha256=fingerprint(file), size_bytes=file.size,
        first_at=track.first_at, row_count=int(track.lat_deg.size), notes=track.notes,
        length_m=track_length_m(track.lat_deg, track.lon_deg, SMALLEST_STEP_M),
        duration_s=float(track.time_s[-1]) if track.time_s.size else None,
    )  # fmt: skip
    log.full_clean(exclude=["original", "columns"])
    with stored_together() as put:
        put(log.original, file)
        put(log.columns, ContentFile(packed_columns(track)))
        log.save(force_insert=True)
    return log
