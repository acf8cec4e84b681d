"""The summary of a recording, worked out while it is read: the ends of its columns, its length, what it adds up to."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from calc.geodesy import TrackLength
from calc.session_facts import GatheredLogFacts
from sessions.logs.columns import stored_digits
from sessions.logs.meanings import meaning_of
from sessions.logs.series import Named
from sessions.outings.track_parts import SMALLEST_STEP_M

LARGEST_DIFFERENCE = 0.1
"""A counter and a track that differ by more speak of different things, such as a unit that paused (common practice, no
source)."""
ELECTRICAL = ("time_s", "voltage_v", "current_a")


class Summary:
    """What is known of a recording without looking at its rows again; they come in blocks."""

    def __init__(self) -> None:
        self.row_count = 0
        self.duration_s: float | None = None
        self.ends: dict[str, list[float]] = {}
        self._track, self._positions = TrackLength(SMALLEST_STEP_M), 0
        self._electrical, self._samples = GatheredLogFacts(), 0
        self._by_speed = {name: _Distance() for name in ("speed_mps", "wheel_speed_mps")}

    def add(self, columns: Mapping[str, Any]) -> None:
        """Take in the rows that follow."""
        self.row_count += next(iter(columns.values())).size
        if "time_s" in columns:
            self.duration_s = float(columns["time_s"][-1])
        for name, values in columns.items():
            lowest, highest = float(np.fmin.reduce(values)), float(np.fmax.reduce(values))
            if np.isnan(lowest):
                continue  # nothing measured here
            before = self.ends.get(name, [lowest, highest])
            self.ends[name] = [min(lowest, before[0]), max(highest, before[1])]
        if set(ELECTRICAL) <= set(columns):
            series = _measured(columns)
            if series[0].size:
                self._samples += series[0].size
                self._electrical.add(*series)
        if {"lat_deg", "lon_deg"} <= set(columns):
            good = ~(np.isnan(columns["lat_deg"]) | np.isnan(columns["lon_deg"]))
            self._positions += int(good.sum())
            self._track.add(columns["lat_deg"][good], columns["lon_deg"][good])
        elif "distance_m" not in columns:
            speed = next((name for name in self._by_speed if name in columns), None)
            if speed is not None:
                self._by_speed[speed].add(columns["time_s"], columns[speed])

    @property
    def length_m(self) -> float | None:
        """Distance by the log's own counter, or along its track, or by its speed."""
        if "distance_m" in self.ends:
            return self.ends["distance_m"][1] - self.ends["distance_m"][0]
        if "lat_deg" in self.ends:
            return self._track.length_m if self._positions > 1 else None
        return next((self._by_speed[name].distance_m for name in self._by_speed if name in self.ends), None)

    @property
    def notes(self) -> list[str]:
        """What does not agree within the recording."""
        if "distance_m" not in self.ends or self._positions < 2:
            return []
        own_m, track_m = self.ends["distance_m"][1] - self.ends["distance_m"][0], self._track.length_m
        if abs(own_m - track_m) <= LARGEST_DIFFERENCE * max(own_m, track_m):
            return []
        return [f"Its own distance is {own_m:.0f} m, and its positions make {track_m:.0f} m; the former counts."]

    def as_json(self, named: Mapping[str, Named] | None = None) -> dict[str, Any]:
        """The summary as it is stored with a log: the ends of its columns, and what voltage and current add up to;
        and the own names of values that have no meaning here."""
        ends = {
            # As the columns are stored.
            name: [round(end, stored_digits(name)) for end in ends]
            for name, ends in self.ends.items()
            if meaning_of(name) is not None
        }
        facts = vars(self._electrical.facts()) if self._samples > 1 else {}
        known = {name: value for name, value in facts.items() if value is not None}
        own_names = {name: list(of) for name, of in (named or {}).items() if name in ends}
        return {"columns": ends, "facts": known} | ({"named": own_names} if own_names else {})


def _measured(columns: Mapping[str, Any]) -> tuple[Any, Any, Any]:
    """Times, voltages and currents of the rows at which both are measured."""
    times, volts, amperes = (columns[name] for name in ELECTRICAL)
    nothing = np.isnan(volts) | np.isnan(amperes)
    return (times[~nothing], volts[~nothing], amperes[~nothing]) if nothing.any() else (times, volts, amperes)


class _Distance:
    """The way that a speed adds up to, by the trapezoidal rule between its known samples."""

    def __init__(self) -> None:
        self.distance_m = 0.0
        self._last = np.empty((2, 0))

    def add(self, time_s: Any, speed_mps: Any) -> None:
        good = ~np.isnan(speed_mps)
        if not good.all():
            time_s, speed_mps = time_s[good], speed_mps[good]
        times, speeds = np.concatenate([self._last, [time_s, np.maximum(speed_mps, 0.0)]], axis=1)
        if times.size:
            self.distance_m += float(np.trapezoid(speeds, times))
            self._last = np.array([times[-1:], speeds[-1:]])
