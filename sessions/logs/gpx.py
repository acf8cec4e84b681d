"""Reading a satellite track: GPX 1.1 (topografix.com/GPX/1/1), its points and their times.

Extensions, waypoints and routes are ignored. Entities and document types are refused, so that no
file can grow while it is read; points are released as they are read, so that memory holds only numbers.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import IO, Any
from xml.etree.ElementTree import ParseError

import numpy as np
from defusedxml import DefusedXmlException
from defusedxml.ElementTree import iterparse

from sessions.logs.series import NotARecording, Recording, running_forwards

NAMESPACE = "{http://www.topografix.com/GPX/1/1}"
LARGEST_BYTES = 60 * 1024 * 1024
MOST_POINTS = 500_000


def read_gpx(file: IO[bytes], size: int) -> Recording:
    """The track in a GPX 1.1 file. Raises NotARecording with a sentence."""
    if size > LARGEST_BYTES:
        raise NotARecording(f"The file has {size / 1e6:.0f} MB; at most {LARGEST_BYTES / 1e6:.0f} MB are allowed.")
    if size == 0:
        raise NotARecording("The file is empty. Export the track again.")
    points: list[tuple[float, float]] = []
    stamps: list[datetime | None] = []
    try:
        _read_points(file, points, stamps)
    except ParseError as error:
        line, column = error.position
        raise NotARecording(
            f"The file breaks off or is not XML at line {line}, column {column}. Export the track again, as GPX 1.1."
        ) from None
    except DefusedXmlException:
        raise NotARecording("The file declares a document type or entities, which no GPX file does.") from None
    except (UnicodeDecodeError, LookupError):
        raise NotARecording("The file's text encoding cannot be read. Export the track as UTF-8.") from None
    if len(points) < 2:
        raise NotARecording("The file holds no track of two points or more (trkpt). Waypoints and routes do not count.")
    return _ordered(points, stamps)


def _read_points(file: IO[bytes], points: list[tuple[float, float]], stamps: list[datetime | None]) -> None:
    root = None
    for event, element in iterparse(file, events=("start", "end"), forbid_dtd=True):
        if root is None:
            root = element
            if element.tag != f"{NAMESPACE}gpx":
                tag = element.tag.rsplit("}", 1)[-1][:40]
                raise NotARecording(f"The file begins with <{tag}>, not with GPX 1.1. Export the track as GPX 1.1.")
        if event != "end" or element.tag != f"{NAMESPACE}trkpt":
            continue
        number = len(points) + 1
        if number > MOST_POINTS:
            raise NotARecording(f"The track has more than {MOST_POINTS:,} points. Export it with fewer.")
        points.append((_degrees(element, "lat", 90.0, number), _degrees(element, "lon", 180.0, number)))
        stamps.append(_stamp(element.findtext(f"{NAMESPACE}time"), number))
        element.clear()
        if number % 1000 == 0:
            root.clear()


def _degrees(element: Any, name: str, most: float, number: int) -> float:
    text = element.get(name)
    try:
        value = float(text)
    except (TypeError, ValueError):
        value = math.nan
    if not abs(value) <= most:
        raise NotARecording(f"Point {number} has {name}={str(text)[:30]!r}, which is no {name} in degrees.")
    return value


def _stamp(text: str | None, number: int) -> datetime | None:
    if text is None or not text.strip():
        return None
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        raise NotARecording(f"Point {number} has the time {text.strip()[:40]!r}; write 2026-01-17T11:05:30Z.") from None
    # GPX 1.1 has its times in UTC, whether or not the file says so.
    return moment.astimezone(UTC) if moment.tzinfo else moment.replace(tzinfo=UTC)


def _ordered(points: list[tuple[float, float]], stamps: list[datetime | None]) -> Recording:
    latitudes, longitudes = np.array(points).T
    timed = [stamp for stamp in stamps if stamp is not None]
    if not timed:
        notes = ["The track has no times: it has a length, but no speeds."]
        return Recording(None, {"lat_deg": latitudes, "lon_deg": longitudes}, notes)
    notes = []
    first = timed[0]
    seconds = np.array([math.nan if stamp is None else (stamp - first).total_seconds() for stamp in stamps])
    without = int(np.isnan(seconds).sum())
    if without:
        notes.append(f"{without} points without a time are left out.")
    forwards = running_forwards(seconds)
    back = int(seconds.size - without - forwards.sum())
    if back:
        notes.append(f"{back} points whose time stands still or runs backwards are left out.")
    if forwards.sum() < 2 or back > seconds.size / 2:
        raise NotARecording(f"The times of the track do not run forwards: {back} of {seconds.size} points go back.")
    columns = {"time_s": seconds[forwards], "lat_deg": latitudes[forwards], "lon_deg": longitudes[forwards]}
    return Recording(first, columns, notes)
