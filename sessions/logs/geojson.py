"""Reading a track as GeoJSON (RFC 7946): lines whose feature lists the times of their positions, or points with a time.

Positions are longitude, latitude and perhaps height in metres. The times are no part of the standard: programs write
them into the properties as `coordTimes`, `times` or `coordinateProperties.times`, or one into each point's.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import IO, Any

from sessions.logs.series import Named, NotARecording, ShortRecording
from sessions.logs.track_points import TrackPoints, check_size, degrees, moment_of

_TIME_LISTS = ("coordTimes", "times", "timestamps")
_TIME_NAMES = ("time", "timestamp", "datetime", "date", "when")
_SPEED_NAMES = ("speed", "speed_mps")


def read_geojson(file: IO[bytes], size: int) -> ShortRecording:
    """The track in a GeoJSON file. Raises NotARecording with a sentence."""
    check_size(size)
    points = TrackPoints()
    text = file.read().decode("utf-8-sig", errors="replace")
    for feature in _features(text, points):
        if isinstance(feature, dict):
            _take(points, feature)
    return points.recording("LineString, MultiLineString, or Point with a time")


def _features(text: str, points: TrackPoints) -> Iterator[Any]:
    try:
        whole = json.loads(text)
    except RecursionError:
        raise NotARecording("The file is nested too deeply for GeoJSON.") from None
    except ValueError as error:
        at = getattr(error, "lineno", 1), getattr(error, "colno", 1)
        features = list(_before_the_break(text))
        if not features:
            raise NotARecording(
                f"The file breaks off or is not JSON at line {at[0]}, column {at[1]}. Export the track again."
            ) from None
        points.notes.append(
            f"The file breaks off at line {at[0]}, column {at[1]}: the {len(features)} whole features before are read."
        )
        yield from features
        return
    if isinstance(whole, dict) and whole.get("type") == "FeatureCollection":
        listed = whole.get("features")
        yield from listed if isinstance(listed, list) else []
    elif isinstance(whole, dict) and whole.get("type") == "Feature":
        yield whole
    else:
        yield {"type": "Feature", "properties": {}, "geometry": whole}


def _before_the_break(text: str) -> Iterator[Any]:
    """The whole features of a collection that breaks off."""
    decoder = json.JSONDecoder()
    start = text.find('"features"')
    place = text.find("[", start) + 1 if start >= 0 else 0
    while place > 0:
        while place < len(text) and text[place] in " \t\r\n,":
            place += 1
        try:
            feature, place = decoder.raw_decode(text, place)
        except (ValueError, RecursionError):
            return
        yield feature


def _take(points: TrackPoints, feature: dict[str, Any]) -> None:
    geometry = feature.get("geometry")
    properties = feature.get("properties")
    geometry = geometry if isinstance(geometry, dict) else {}
    properties = properties if isinstance(properties, dict) else {}
    kind, places = geometry.get("type"), geometry.get("coordinates")
    if not isinstance(places, list):
        return
    if kind == "Point":
        stamp = next((properties[name] for name in _TIME_NAMES if properties.get(name)), None)
        if stamp is not None:
            _add(points, places, stamp, properties)
        return
    if kind not in ("LineString", "MultiLineString"):
        return
    lines = places if kind == "MultiLineString" else [places]
    stamps = _stamps(properties)
    if stamps and kind == "MultiLineString" and all(isinstance(part, list) for part in stamps):
        stamps = [stamp for part in stamps for stamp in part]
    tuples = [place for line in lines if isinstance(line, list) for place in line]
    if stamps and len(stamps) != len(tuples):
        points.notes.append(f"A line of {len(tuples)} positions lists {len(stamps)} times, so it is read without them.")
        stamps = []
    for number, place in enumerate(tuples):
        _add(points, place, stamps[number] if stamps else None, {})


def _stamps(properties: dict[str, Any]) -> list[Any]:
    inner = properties.get("coordinateProperties")
    for source in (properties, inner if isinstance(inner, dict) else {}):
        for name in _TIME_LISTS:
            if isinstance(source.get(name), list):
                return list(source[name])
    return []


def _add(points: TrackPoints, place: Any, stamp: Any, properties: dict[str, Any]) -> None:
    number = points.count + 1
    parts = place if isinstance(place, list) else []
    try:
        longitude = degrees(str(parts[0]) if parts else None, "lon", number)
        latitude = degrees(str(parts[1]) if len(parts) > 1 else None, "lat", number)
        moment = moment_of(str(stamp), number) if stamp is not None else None
    except ValueError as error:
        points.bad(str(error))
        return
    values: dict[str, float | None] = {"lat_deg": latitude, "lon_deg": longitude}
    if len(parts) > 2 and isinstance(parts[2], int | float):
        values["altitude_m"] = float(parts[2])
    named = {}
    for name, value in properties.items():
        if isinstance(value, bool) or not isinstance(value, int | float) or name in _TIME_NAMES:
            continue
        if name in _SPEED_NAMES:
            values["speed_mps"] = float(value)
        else:
            named[Named(str(name)[:40])] = float(value)
    points.add(moment, values, named)
