"""Reading a track as TCX (Training Center XML, second version): points, distance, speed, power."""

from __future__ import annotations

from typing import IO

from sessions.logs.series import Named, ShortRecording
from sessions.logs.track_points import TrackPoints, check_size, degrees, moment_of, number_or_none
from sessions.logs.xml_points import Fields, read_points

_NAMED = (
    ("HeartRateBpm/Value", Named("heart rate", "1/min")),
    ("Cadence", Named("cadence", "1/min")),
)


def read_tcx(file: IO[bytes], size: int) -> ShortRecording:
    """The track in a TCX file. Raises NotARecording with a sentence."""
    check_size(size)
    points = TrackPoints()
    number = 0

    def take(_: str, fields: Fields, __: dict[str, str]) -> None:
        nonlocal number
        number += 1
        values: dict[str, float | None] = {}
        try:
            moment = moment_of(fields.get("Time", ""), number)
            if "Position/LatitudeDegrees" in fields:
                values["lat_deg"] = degrees(fields["Position/LatitudeDegrees"], "lat", number)
                values["lon_deg"] = degrees(fields.get("Position/LongitudeDegrees"), "lon", number)
        except ValueError as error:
            points.bad(str(error))
            return
        values["altitude_m"] = number_or_none(fields.get("AltitudeMeters"))
        values["distance_m"] = number_or_none(fields.get("DistanceMeters"))
        for way, text in fields.items():
            last = way.rpartition("/")[2]
            if last in ("Speed", "Watts"):
                values["speed_mps" if last == "Speed" else "logged_power_w"] = number_or_none(text)
        named = {of: value for way, of in _NAMED if (value := number_or_none(fields.get(way))) is not None}
        points.add(moment, values, named)

    broken = read_points(file, "TrainingCenterDatabase", "TCX", frozenset({"Trackpoint"}), take)
    if broken:
        points.notes.append(broken)
    return points.recording("Trackpoint")
