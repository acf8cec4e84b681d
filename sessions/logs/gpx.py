"""Reading a satellite track as GPX 1.0 or 1.1, whatever its namespace (topografix.com/GPX/1/1): its points, their
times, heights and speeds, and what receivers add to a point as extensions.

Waypoints and routes are passed over.
"""

from __future__ import annotations

from typing import IO

from sessions.logs.series import Named, ShortRecording
from sessions.logs.track_points import TrackPoints, check_size, degrees, moment_of, number_or_none
from sessions.logs.xml_points import Fields, read_points

_OWN = {"time", "ele", "speed", "name", "cmt", "desc", "sym", "type", "src", "fix", ""}
_NAMES = {"hr": ("heart rate", "1/min"), "cad": ("cadence", "1/min"), "atemp": ("air temperature", "°C"),
          "hdop": ("dilution of position", ""), "sat": ("satellites", ""), "course": ("course", "°")}  # fmt: skip


def read_gpx(file: IO[bytes], size: int) -> ShortRecording:
    """The track in a GPX file. Raises NotARecording with a sentence."""
    check_size(size)
    points = TrackPoints()
    number = 0

    def take(_: str, fields: Fields, attributes: dict[str, str]) -> None:
        nonlocal number
        number += 1
        try:
            latitude, longitude = (degrees(attributes.get(name), name, number) for name in ("lat", "lon"))
            moment = moment_of(fields.get("time", ""), number)
        except ValueError as error:
            points.bad(str(error))
            return
        values = {
            "lat_deg": latitude,
            "lon_deg": longitude,
            "altitude_m": number_or_none(fields.get("ele")),
            # GPX 1.0 has it in the point, in m/s; 1.1 as an extension, in the same unit.
            "speed_mps": number_or_none(next((fields[way] for way in fields if way.rpartition("/")[2] == "speed"), "")),
        }
        named = {}
        for way, text in fields.items():
            last = way.rpartition("/")[2]
            if last not in _OWN and (value := number_or_none(text)) is not None:
                named[Named(*_NAMES.get(last, (last[:40], "")))] = value
        points.add(moment, values, named)

    broken = read_points(file, "gpx", "GPX", frozenset({"trkpt"}), take)
    if broken:
        points.notes.append(broken)
    return points.recording("trkpt; waypoints and routes do not count")
