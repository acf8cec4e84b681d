"""Reading a track as FIT, the binary format of cycle computers and sports watches, by fitdecode: its records."""

from __future__ import annotations

import warnings
from datetime import datetime
from typing import IO, Any

from sessions.logs.series import Named, NotARecording, ShortRecording
from sessions.logs.track_points import TrackPoints, check_size

DEGREES_PER_SEMICIRCLE = 180.0 / 2**31
_COLUMNS = {
    "enhanced_speed": "speed_mps",
    "speed": "speed_mps",
    "enhanced_altitude": "altitude_m",
    "altitude": "altitude_m",
    "distance": "distance_m",
    "power": "logged_power_w",
}
_PLACES = {"position_lat": "lat_deg", "position_long": "lon_deg"}


def read_fit(file: IO[bytes], size: int) -> ShortRecording:
    """The records of a FIT file. Raises NotARecording with a sentence."""
    # Imported where it is needed: it brings the whole profile of the format.
    import fitdecode

    check_size(size)
    points = TrackPoints()
    try:
        # What is wrong with the file is said here, in words of this place.
        with (
            warnings.catch_warnings(),
            fitdecode.FitReader(
                file, check_crc=fitdecode.CrcCheck.RAISE, error_handling=fitdecode.ErrorHandling.IGNORE
            ) as frames,
        ):
            warnings.simplefilter("ignore")
            for frame in frames:
                if frame.frame_type == fitdecode.FIT_FRAME_DATA and frame.name == "record":
                    _add(points, frame)
    except fitdecode.FitCRCError:
        points.notes.append("The file's checksum is wrong: something in it was changed or lost after it was written.")
    except (fitdecode.FitError, ValueError, KeyError, IndexError, TypeError, OverflowError) as error:
        if points.count < 2:
            raise NotARecording(
                f"The file breaks off or is no whole FIT file ({str(error)[:80]}). Copy it from the instrument again."
            ) from None
        points.notes.append(f"The file breaks off after record {points.count}: what comes before is read.")
    return points.recording("record messages")


def _add(points: TrackPoints, frame: Any) -> None:
    moment: datetime | None = None
    values: dict[str, float | None] = {}
    named: dict[Named, float] = {}
    for field in frame.fields:
        value = field.value
        if field.name == "timestamp" and isinstance(value, datetime):
            moment = value
        elif isinstance(value, bool) or not isinstance(value, int | float):
            continue
        elif field.name in _PLACES:
            values[_PLACES[field.name]] = value * DEGREES_PER_SEMICIRCLE
        elif field.name in _COLUMNS:
            # A field with more digits stands beside the plain one, and counts.
            if field.name.startswith("enhanced_") or _COLUMNS[field.name] not in values:
                values[_COLUMNS[field.name]] = float(value)
        elif not str(field.name).startswith("unknown"):
            named[Named(str(field.name).replace("_", " ")[:40], str(field.units or "")[:12])] = float(value)
    if ("lat_deg" in values) != ("lon_deg" in values):
        values.pop("lat_deg", None)
        values.pop("lon_deg", None)
    points.add(moment, values, named)
