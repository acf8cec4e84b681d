"""The content of a stored file as it is read: unpacked, a table as plain text, a track by the reader of its kind."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import IO, cast

from sessions.logs.file_kinds import CSV, FIT, GEOJSON, GPX, KML, LONG, NMEA, READ_KINDS, TCX, other_kind
from sessions.logs.fit import read_fit
from sessions.logs.geojson import read_geojson
from sessions.logs.gpx import read_gpx
from sessions.logs.kml import read_kml
from sessions.logs.models import Log
from sessions.logs.nmea import read_nmea
from sessions.logs.plain_tables import kind_of_table, plain_table
from sessions.logs.series import NotARecording, ShortRecording
from sessions.logs.tcx import read_tcx
from sessions.logs.unpacking import HEAD_BYTES, Unpacked, unpacked

TRACK_READERS = {
    GPX: read_gpx,
    FIT: read_fit,
    TCX: read_tcx,
    NMEA: read_nmea,
    GEOJSON: read_geojson,
    KML: read_kml,
}


def kind_of_file(file: IO[bytes], size: int, name: str) -> tuple[str, str]:
    """The kind of a file that was just sent, by its beginning; and what is wrong where it cannot be told."""
    try:
        with unpacked(file, size, name) as content:
            if content.kind == CSV and (what := other_kind(content.file.read(HEAD_BYTES))):
                raise NotARecording(f"The file is {what}, which is not read as a recording. {READ_KINDS}")
            return kind_of_table(content), ""
    except NotARecording as error:
        # It is stored all the same.
        return CSV, str(error)
    finally:
        file.seek(0)


@contextmanager
def content_of(log: Log, file: IO[bytes]) -> Iterator[Unpacked]:
    """What is in a log's original file, which stays the caller's to close. Raises NotARecording with a sentence."""
    with unpacked(file, log.size_bytes, log.name) as content:
        if content.kind == CSV and log.kind == LONG:
            content.kind = LONG
        with plain_table(content) as table:
            yield table


@contextmanager
def open_content(log: Log) -> Iterator[Unpacked]:
    """The same of the stored file."""
    try:
        file = cast(IO[bytes], log.original.open("rb"))
    except FileNotFoundError:
        raise NotARecording("The log's file is gone from the data folder.") from None
    with file, content_of(log, file) as content:
        yield content


def read_track(content: Unpacked) -> ShortRecording:
    """The recording in a track of any kind. Raises NotARecording with a sentence."""
    recording = TRACK_READERS[content.kind](content.file, content.size)
    recording.notes = [*content.notes, *recording.notes]
    return recording
