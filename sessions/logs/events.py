"""Moments in the logs that passed a limit of the build: offered as failures, recorded by a person."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from buildlog.failures.models import Failure
from buildlog.machines.machine import Machine
from calc.coasting import excursions
from sessions.logs.timeline import Series, Timeline

MOST_SHOWN = 40
SAME_MOMENT_S = 10.0


@dataclass(frozen=True)
class Limit:
    """A limit of the build that a log can pass, and the failure mode of passing it."""

    mode: str
    column: str
    kind: str
    value: float
    above: bool
    whose: str

    def worst_in(self, summary: Any, unknown: bool = False) -> float | None:
        """How far a log was beyond it, by the ends of its columns, which were stored when it was imported; None where
        it was not. `unknown` is taken for beyond where the ends are not stored: NaN."""
        ends = (summary or {}).get("columns", {}).get(self.column)
        if not ends:
            return math.nan if unknown else None
        worst = float(ends[1] if self.above else ends[0])
        # A voltage at the highest limit counts as above it, as everywhere.
        reached = worst >= self.value if self.above and self.column == "voltage_v" else worst > self.value
        return worst if (reached if self.above else worst < self.value) else None


@dataclass(frozen=True)
class Event:
    """One time beyond a limit."""

    limit: Limit
    series: Series
    start_s: float
    duration_s: float
    worst: float
    recorded: Failure | None

    @property
    def form_query(self) -> str:
        """Initial values of the form of a new failure, as a query."""
        return urlencode(
            {
                "session": self.series.log.session_id,
                "mode_name": self.limit.mode,
                "time_into_session_s": round(self.start_s, 1),
            }
        )


def limits_of(machine: Machine) -> list[Limit]:
    """The limits of a revision that a log can pass, as far as its parts state them."""
    listed = []
    pack, controller, motor = machine.pack, machine.limits("speed_controller"), machine.limits("motor")
    lowest = [pack.empty_voltage_v] if pack is not None else []
    lowest += [controller.lowest_voltage_v] if controller is not None and controller.lowest_voltage_v else []
    if lowest:
        listed.append(Limit("Voltage too low", "voltage_v", "voltage", max(lowest), False, "pack or controller"))
    if controller is not None and controller.highest_voltage_v:
        listed.append(
            Limit("Voltage too high", "voltage_v", "voltage", controller.highest_voltage_v, True, "controller")
        )
    currents = [(pack.continuous_current_a, "pack")] if pack is not None else []
    currents += [(controller.continuous_current_a, "controller")] if controller is not None else []
    stated = [(value, whose) for value, whose in currents if value]
    if stated:
        value, whose = min(stated)
        listed.append(Limit("Current above its continuous limit", "current_a", "current", value, True, whose))
    for name, limits in (("motor", motor), ("controller", controller), ("battery", pack)):
        if limits is not None and limits.highest_temperature_c is not None:
            listed.append(
                Limit(
                    f"{name.capitalize()} too hot",
                    f"{name}_temperature_c",
                    "temperature",
                    limits.highest_temperature_c,
                    True,
                    name,
                )
            )
    if pack is not None and pack.lowest_temperature_c is not None:
        coldest = pack.lowest_temperature_c
        listed.append(Limit("Battery too cold", "battery_temperature_c", "temperature", coldest, False, "battery"))
    return listed


def events_of(timeline: Timeline, failures: Iterable[Failure]) -> list[Event]:
    """Every time a logged value was beyond a limit, in order of time."""
    known = [failure for failure in failures if failure.time_into_session_s is not None]
    events = []
    for limit in limits_of(timeline.machine):
        for trace in timeline.every(limit.column, limit.mode, limit.kind):
            series = trace.series() if limit.worst_in(trace.log.summary, unknown=True) is not None else None
            if series is None:
                continue
            # A voltage at the highest limit counts as above it, as everywhere.
            at = math.nextafter(limit.value, 0.0) if limit.column == "voltage_v" and limit.above else limit.value
            beyond = excursions(series.time_s, series.values, at, limit.above)
            for start_s, end_s, worst in zip(*beyond, strict=True):
                same = next(
                    (
                        failure
                        for failure in known
                        if failure.mode.name == limit.mode
                        and start_s - SAME_MOMENT_S <= failure.time_into_session_s <= end_s + SAME_MOMENT_S
                    ),
                    None,
                )
                events.append(Event(limit, series, float(start_s), float(end_s - start_s), float(worst), same))
    return sorted(events, key=lambda event: event.start_s)
