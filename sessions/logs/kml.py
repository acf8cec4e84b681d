"""Reading a track as KML 2.2: lines without times, timed tracks of the gx extension, and placemarks with a time."""

from __future__ import annotations

from datetime import datetime
from typing import IO

from sessions.logs.series import NotARecording, ShortRecording
from sessions.logs.track_points import TrackPoints, check_size, degrees, moment_of, number_or_none
from sessions.logs.xml_points import Fields, read_points

_WANTED = frozenset({"when", "coord", "coordinates"})


def read_kml(file: IO[bytes], size: int) -> ShortRecording:
    """The track in a KML file. Raises NotARecording with a sentence."""
    check_size(size)
    points = TrackPoints()
    stamps: list[str] = []
    timed: list[str] = []
    lines: list[list[str]] = []

    def take(name: str, fields: Fields, _: dict[str, str]) -> None:
        text = fields.get("", "")
        if name == "when":
            stamps.append(text)
        elif name == "coord":
            timed.append(",".join(text.split()))
        else:
            lines.append(text.split())

    broken = read_points(file, "kml", "KML", _WANTED, take)
    if broken:
        points.notes.append(broken)
    tuples = [place for line in lines for place in line]
    if timed:
        pairs = [(stamp, place) for stamp, place in zip([*stamps, *[""] * len(timed)], timed, strict=False)]
    elif len(stamps) == len(tuples) and all(len(line) == 1 for line in lines):
        # One placemark for each point, each with its time.
        pairs = list(zip(stamps, tuples, strict=True))
    else:
        pairs = [("", place) for line in lines if len(line) > 1 for place in line]
        if len(pairs) < 2:
            raise NotARecording("The file holds no track of two points or more (gx:Track, LineString, or timed Point).")
    for number, (stamp, place) in enumerate(pairs, start=1):
        _add(points, number, stamp, place)
    return points.recording("gx:Track, LineString, or timed Point")


def _add(points: TrackPoints, number: int, stamp: str, place: str) -> None:
    parts = place.split(",")
    moment: datetime | None
    try:
        longitude = degrees(parts[0], "lon", number)
        latitude = degrees(parts[1] if len(parts) > 1 else None, "lat", number)
        moment = moment_of(stamp, number)
    except ValueError as error:
        points.bad(str(error))
        return
    altitude = number_or_none(parts[2]) if len(parts) > 2 else None
    points.add(moment, {"lat_deg": latitude, "lon_deg": longitude, "altitude_m": altitude})
