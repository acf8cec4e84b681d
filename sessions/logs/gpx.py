"""Reading a satellite track: GPX 1.1 (topografix.com/GPX/1/1), its points and their times.

Extensions, waypoints and routes are ignored. Entities and document types are refused, so that no file can grow while
it is read. The parser is the one beneath the standard library's trees; it is asked for points directly, because a
tree of elements takes three times as long and, where it may hold no entities, is built in Python.
"""

from __future__ import annotations

import math
from array import array
from datetime import UTC, datetime
from typing import IO, Any
from xml.parsers import expat

import numpy as np

from sessions.logs.series import NotARecording, RunningForwards, ShortRecording

NAMESPACE = "http://www.topografix.com/GPX/1/1"
LARGEST_BYTES = 60 * 1024 * 1024
MOST_POINTS = 500_000
BLOCK_BYTES = 256 * 1024


def read_gpx(file: IO[bytes], size: int) -> ShortRecording:
    """The track in a GPX 1.1 file. Raises NotARecording with a sentence."""
    if size > LARGEST_BYTES:
        raise NotARecording(f"The file has {size / 1e6:.0f} MB; at most {LARGEST_BYTES / 1e6:.0f} MB are allowed.")
    if size == 0:
        raise NotARecording("The file is empty. Export the track again.")
    track = _Track()
    try:
        track.read(file)
    except expat.ExpatError as error:
        if error.code in _ENCODING_ERRORS:
            raise NotARecording("The file's text encoding cannot be read. Export the track as UTF-8.") from None
        raise NotARecording(
            f"The file breaks off or is not XML at line {error.lineno}, column {error.offset}. "
            "Export the track again, as GPX 1.1."
        ) from None
    except (UnicodeDecodeError, LookupError):
        raise NotARecording("The file's text encoding cannot be read. Export the track as UTF-8.") from None
    if len(track.latitudes) < 2:
        raise NotARecording("The file holds no track of two points or more (trkpt). Waypoints and routes do not count.")
    return _ordered(track)


_ENCODING_ERRORS = {
    expat.errors.codes[message]
    for message in (expat.errors.XML_ERROR_UNKNOWN_ENCODING, expat.errors.XML_ERROR_INCORRECT_ENCODING)
}


class _Track:
    """The points of a file, in the order in which they stand there; seconds since the first time, NaN without one."""

    def __init__(self) -> None:
        self.latitudes, self.longitudes, self.seconds = array("d"), array("d"), array("d")
        self.first: datetime | None = None

    def read(self, file: IO[bytes]) -> None:
        parser = expat.ParserCreate(namespace_separator="}")
        parser.buffer_text = True
        trkpt, time = f"{NAMESPACE}}}trkpt", f"{NAMESPACE}}}time"
        depth, point_depth = 0, -1
        stamp: list[str] | None = None
        text: list[str] = []

        def refuse_document_type(*_: object) -> None:
            raise NotARecording("The file declares a document type or entities, which no GPX file does.")

        def begin_root(name: str, attributes: dict[str, str]) -> None:
            if name != f"{NAMESPACE}}}gpx":
                tag = name.rsplit("}", 1)[-1][:40]
                raise NotARecording(f"The file begins with <{tag}>, not with GPX 1.1. Export the track as GPX 1.1.")
            parser.StartElementHandler = begin
            begin(name, attributes)

        def begin(name: str, attributes: dict[str, str]) -> None:
            nonlocal depth, point_depth, stamp
            depth += 1
            if name == trkpt:
                point_depth, stamp = depth, None
                self._place(attributes)
            elif name == time and depth == point_depth + 1 and stamp is None:
                text.clear()
                parser.CharacterDataHandler = text.append

        def end(name: str) -> None:
            nonlocal depth, point_depth, stamp
            if name == time and depth == point_depth + 1 and stamp is None:
                parser.CharacterDataHandler = None
                stamp = text
                self._time("".join(text))
            elif depth == point_depth:
                point_depth = -1
            depth -= 1

        parser.StartDoctypeDeclHandler = parser.EntityDeclHandler = refuse_document_type
        parser.StartElementHandler, parser.EndElementHandler = begin_root, end
        while block := file.read(BLOCK_BYTES):
            parser.Parse(block, False)
        parser.Parse(b"", True)

    def _place(self, attributes: dict[str, str]) -> None:
        number = len(self.latitudes) + 1
        if number > MOST_POINTS:
            raise NotARecording(f"The track has more than {MOST_POINTS:,} points. Export it with fewer.")
        self.latitudes.append(_degrees(attributes.get("lat"), "lat", 90.0, number))
        self.longitudes.append(_degrees(attributes.get("lon"), "lon", 180.0, number))
        self.seconds.append(math.nan)

    def _time(self, text: str) -> None:
        if not (text := text.strip()):
            return
        try:
            moment = datetime.fromisoformat(text)
        except ValueError:
            number = len(self.latitudes)
            raise NotARecording(f"Point {number} has the time {text[:40]!r}; write 2026-01-17T11:05:30Z.") from None
        if moment.tzinfo is None:
            # GPX 1.1 has its times in UTC, whether or not the file says so.
            moment = moment.replace(tzinfo=UTC)
        if self.first is None:
            self.first = moment.astimezone(UTC)
        self.seconds[-1] = (moment - self.first).total_seconds()


def _degrees(text: str | None, name: str, most: float, number: int) -> float:
    try:
        value = float(text or "")
    except ValueError:
        value = math.nan
    if not abs(value) <= most:
        raise NotARecording(f"Point {number} has {name}={str(text)[:30]!r}, which is no {name} in degrees.")
    return value


def _ordered(track: _Track) -> ShortRecording:
    columns: dict[str, Any] = {"lat_deg": np.array(track.latitudes), "lon_deg": np.array(track.longitudes)}
    if track.first is None:
        return ShortRecording(None, columns, ["The track has no times: it has a length, but no speeds."])
    notes = []
    seconds = np.array(track.seconds)
    without = int(np.isnan(seconds).sum())
    if without:
        notes.append(f"{without} points without a time are left out.")
    forwards = RunningForwards()
    kept = forwards.keep(seconds)
    back = forwards.rows - without - forwards.kept
    if back:
        notes.append(f"{back} points whose time stands still or runs backwards are left out.")
    if forwards.kept < 2 or back > seconds.size / 2:
        raise NotARecording(f"The times of the track do not run forwards: {back} of {seconds.size} points go back.")
    columns = {"time_s": seconds[kept], **{name: values[kept] for name, values in columns.items()}}
    return ShortRecording(track.first, columns, notes)
