"""Reading what a satellite receiver writes as NMEA 0183, by pynmeagps: sentences of one moment become one point.

RMC has the date, GGA the height; a sentence whose checksum is wrong is left out and counted. A position without a fix
does not count.
"""

from __future__ import annotations

import io
import re
from datetime import UTC, date, datetime, time, timedelta
from typing import IO, Any

from sessions.logs.series import Named, NotARecording, ShortRecording, are
from sessions.logs.track_points import TrackPoints, check_size

MPS_PER_KNOT = 1852.0 / 3600.0
HALF_A_DAY = timedelta(hours=12)
_SENTENCE = re.compile(r"\$[A-Z]{2}(?:RMC|GGA|GLL|GNS|VTG|ZDA),[ -~]*?\*[0-9A-Fa-f]{2}")
_STARTS = re.compile(r"\$[A-Z]{2}(?:RMC|GGA|GLL|GNS|VTG|ZDA),")
NO_DATE = date(2000, 1, 1)


def read_nmea(file: IO[bytes], size: int) -> ShortRecording:
    """The positions in a receiver's sentences. Raises NotARecording with a sentence."""
    # Imported where it is needed, as its tables are large.
    from pynmeagps import NMEAMessage, NMEAReader
    from pynmeagps.exceptions import NMEAMessageError, NMEAParseError, NMEAStreamError, NMEATypeError

    check_size(size)
    moments = _Moments()
    wrong = first_wrong = 0
    text = io.TextIOWrapper(file, encoding="ascii", errors="replace")
    for number, line in enumerate(text, start=1):
        match = _SENTENCE.search(line)
        if match is None:
            if _STARTS.search(line):
                wrong, first_wrong = wrong + 1, first_wrong or number
            continue
        try:
            message = NMEAReader.parse(match[0].encode())
        except (NMEAParseError, NMEAMessageError, NMEATypeError, NMEAStreamError, ValueError, TypeError, KeyError):
            wrong, first_wrong = wrong + 1, first_wrong or number
            continue
        if isinstance(message, NMEAMessage):
            moments.take(message)
    # The file stays its caller's: a wrapper that nobody holds any more would close it.
    text.detach()
    points = moments.points()
    if wrong:
        points.notes.append(
            f"{are(wrong, 'sentences')} left out, broken or with a wrong checksum, the first in line {first_wrong}."
        )
    if wrong > moments.sentences:
        raise NotARecording(f"{wrong} sentences of {wrong + moments.sentences} have a wrong checksum.")
    recording = points.recording("RMC or GGA sentences with a fix")
    if moments.day is None:
        recording.first_at = None
        recording.notes.append("No sentence has a date (RMC or ZDA), so its place in the session is not known.")
    return recording


class _Moments:
    """Sentences gathered by the time that stands in them."""

    def __init__(self) -> None:
        self.sentences = 0
        self.day: date | None = None
        self._rows: list[tuple[timedelta, dict[str, float], dict[Named, float]]] = []
        self._clock: time | None = None
        self._since_day = timedelta()
        self._first_day: date | None = None

    def take(self, message: Any) -> None:
        self.sentences += 1
        clock = getattr(message, "time", None)
        day = getattr(message, "date", None)
        if message.msgID == "ZDA" and isinstance(getattr(message, "year", None), int):
            try:
                day = date(message.year, message.month, message.day)
            except ValueError:
                day = None
        if isinstance(clock, time) and clock != self._clock:
            self._begin(clock)
        if isinstance(day, date):
            self._dated(day)
        if self._rows:
            self._fill(message)

    def _begin(self, clock: time) -> None:
        since = timedelta(hours=clock.hour, minutes=clock.minute, seconds=clock.second, microseconds=clock.microsecond)
        if self._clock is not None:
            before = self._since_day % timedelta(days=1)
            days = self._since_day - before
            # Past midnight before a sentence says the new date.
            if before - since > HALF_A_DAY:
                days += timedelta(days=1)
            since += days
        self._clock, self._since_day = clock, since
        self._rows.append((since, {}, {}))

    def _dated(self, day: date) -> None:
        if self.day is None:
            self.day = self._first_day = day
            days = self._since_day - self._since_day % timedelta(days=1)
            self._rows = [(since - days, values, named) for since, values, named in self._rows]
            self._since_day %= timedelta(days=1)
        elif self._first_day is not None and self._rows:
            # The date that is said decides over the count of midnights.
            placed = timedelta(days=(day - self._first_day).days) + self._since_day % timedelta(days=1)
            if placed != self._since_day:
                self._since_day = placed
                self._rows[-1] = (placed, *self._rows[-1][1:])
        self.day = day

    def _fill(self, message: Any) -> None:
        _, values, named = self._rows[-1]
        kind = message.msgID
        has_fix = {
            "RMC": getattr(message, "status", "") == "A",
            "GLL": getattr(message, "status", "") == "A",
            "GGA": bool(getattr(message, "quality", 0)),
            "GNS": set(str(getattr(message, "posMode", ""))) - {"N"} != set(),
            "VTG": True,
        }.get(kind, False)
        if not has_fix:
            return
        latitude, longitude = getattr(message, "lat", ""), getattr(message, "lon", "")
        if isinstance(latitude, float) and isinstance(longitude, float):
            values["lat_deg"], values["lon_deg"] = latitude, longitude
        speed = getattr(message, "spd" if kind == "RMC" else "sogn", "")
        if kind in ("RMC", "VTG") and isinstance(speed, float):
            values["speed_mps"] = speed * MPS_PER_KNOT
        if kind in ("GGA", "GNS") and isinstance(message.alt, float):
            values["altitude_m"] = message.alt
        for name, label in (("numSV", "satellites"), ("HDOP", "dilution of position")):
            value = getattr(message, name, "")
            if isinstance(value, int | float):
                named[Named(label)] = float(value)

    def points(self) -> TrackPoints:
        points = TrackPoints()
        start = datetime.combine(self._first_day or NO_DATE, time(), UTC)
        for since, values, named in self._rows:
            if values:
                points.add(start + since, values, named)
        if without := sum(1 for _, values, _ in self._rows if not values):
            points.notes.append(f"{are(without, 'moments')} without a fix and left out.")
        return points
