"""Stretches in which the machine rolled without power, offered for the road-load fit."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

import numpy as np

from calc.coasting import coasting_stretches
from calc.endurance import remaining_range_m
from calc.geodesy import local_metres
from calc.resistance import drag_area_m2, rolling_coefficient
from calc.results import Result
from calc.road_load import RoadLoad, consumption_wh_per_km, fit_coast_down, mean_of_directions, top_speed_mps
from calc.weather import air_density_kg_per_m3
from sessions.logs.series import positions
from sessions.logs.timeline import Timeline
from sessions.outings.models import Assumptions

MOST_OFFERED = 30
FIT_ROWS = 2000
"""More samples than this add nothing to a fit of a few seconds; every n-th is taken."""

OUT, BACK = "out", "back"


@dataclass(frozen=True)
class Coasting:
    """One stretch; its direction is that of its positions, against the first's, where there are any."""

    number: int
    start_s: float
    duration_s: float
    from_mps: float
    to_mps: float
    direction: str
    time_s: Any
    speed_mps: Any


def coastings_of(timeline: Timeline) -> list[Coasting]:
    """Stretches where current and a speed, over ground or else of the wheels, are known together."""
    speed = timeline.ground_speed() or timeline.wheel_speed()
    current = next(timeline.every_series("current_a", "current", "current"), None)
    if speed is None or current is None or speed.time_s.size < 5:
        return []
    inside = (speed.time_s >= current.time_s[0]) & (speed.time_s <= current.time_s[-1])
    times, speeds = speed.time_s[inside], np.abs(speed.values[inside])
    if times.size < 5:
        return []
    idle_a = max(0.5, 0.01 * float(np.abs(current.values).max()))
    amperes = np.interp(times, current.time_s, current.values)
    runs = coasting_stretches(times, speeds, amperes, idle_a)
    headings = _headings(timeline, times)
    stretches: list[Coasting] = []
    for start, stop in zip(runs.start_row, runs.stop_row, strict=True):
        direction = ""
        if headings is not None:
            turn = headings[start:stop] * np.conj(headings[runs.start_row[0] : runs.stop_row[0]].sum())
            direction = OUT if float(np.real(turn.sum())) >= 0 else BACK
        step = max(1, (stop - start) // FIT_ROWS)
        rows = slice(start, stop, step)
        stretches.append(
            Coasting(
                len(stretches) + 1,
                float(times[start]),
                float(times[stop - 1] - times[start]),
                float(speeds[start]),
                float(speeds[stop - 1]),
                direction,
                times[rows] - times[start],
                speeds[rows],
            )
        )
        if len(stretches) == MOST_OFFERED:
            break
    return stretches


def _headings(timeline: Timeline, times: Any) -> Any | None:
    """Which way the machine went at each time, as complex numbers of length one; None without positions."""
    for log in timeline.logs:
        track = positions(timeline.columns.get(log.pk) or {})
        if track is None or "time_s" not in track or track["lat_deg"].size < 3:
            continue
        places = local_metres(track["lat_deg"], track["lon_deg"])
        clock = track["time_s"] + log.begins_s
        east, north = np.interp(times, clock, places.east_m), np.interp(times, clock, places.north_m)
        moved = np.gradient(east) + 1j * np.gradient(north)
        return moved / np.maximum(np.abs(moved), 1e-9)
    return None


@dataclass(frozen=True)
class Fit:
    """The road load of the chosen stretches, and its evidence."""

    load: RoadLoad
    results: list[Result]
    says: str


class CannotFit(ValueError):
    """The chosen stretches do not determine a road load; the message says why."""


def fit_of(timeline: Timeline, chosen: list[Coasting], back: Collection[int]) -> Fit:
    """The mean of both ways, or of the one way that was chosen. Raises CannotFit with a sentence."""
    mass = _mass_kg(timeline)
    if mass is None:
        raise CannotFit("The mass is missing: give the revision's mass, or every part's, and the session's rider.")
    ways: dict[bool, list[RoadLoad]] = {}
    for stretch in chosen:
        try:
            load = fit_coast_down(stretch.time_s, stretch.speed_mps, mass)
        except ValueError as error:
            raise CannotFit(f"Stretch {stretch.number} gives no road load: {error}.") from None
        ways.setdefault(stretch.number in back, []).append(load)
    means = [_mean(loads) for loads in ways.values()]
    both = len(means) == 2
    load = mean_of_directions(*means) if both else means[0]
    way = "Mean of both ways" if both else "One way only, so it includes wind and slope; coast the other way too"
    return Fit(load, _results(timeline, load, mass), f"{way}. {len(chosen)} stretches, {mass:.0f} kg.")


def _mass_kg(timeline: Timeline) -> float | None:
    machine, session = timeline.machine.mass_kg, timeline.session
    if machine is None or session.rider_mass_kg is None:
        return None
    return machine + session.rider_mass_kg + (session.payload_kg or 0.0)


def _mean(loads: list[RoadLoad]) -> RoadLoad:
    table = np.array(loads)
    errors = np.sqrt((table[:, 3:] ** 2).sum(axis=0)) / len(loads)
    return RoadLoad(*table[:, :3].mean(axis=0).tolist(), *errors.tolist())


def _results(timeline: Timeline, load: RoadLoad, mass_kg: float) -> list[Result]:
    fit = "least_squares.fit_coast_down"
    results = [
        Result("rolling_force", load.a_n, load.u_a_n, "Runners, belt, tyres, drivetrain.", fit),
        Result("air_factor", load.c_n_per_mps2, load.u_c_n_per_mps2, "Air, and loose snow.", fit),
    ]
    if load.a_n > 0:
        share = rolling_coefficient(load.a_n, mass_kg)
        u = share * load.u_a_n / load.a_n
        method = "Constant part over the weight."
        results.append(Result("rolling_coefficient", share, u, method, "resistance.rolling_coefficient"))
    air_c = timeline.session.air_temperature_c
    if load.c_n_per_mps2 > 0 and air_c is not None:
        density = float(air_density_kg_per_m3(air_c))
        area, u = drag_area_m2(load.c_n_per_mps2, density), 2.0 * load.u_c_n_per_mps2 / density
        method = f"At {density:.3f} kg/m³, that day's air at sea level."
        results.append(Result("drag_area", area, u, method, "resistance.drag_area_m2"))
    return results + _foretold(timeline, load)


STEADY_MPS = 20 / 3.6
DRIVE_EFFICIENCY = 0.8
"""From the pack to the ground: motor, controller and chain together (common practice, no source)."""


def _foretold(timeline: Timeline, load: RoadLoad) -> list[Result]:
    """What this road load lets motor and pack do; with a part below zero it says nothing of other speeds."""
    parts = (load.a_n, load.b_n_per_mps, load.c_n_per_mps2)
    if min(parts) < 0 or not any(parts):
        return []
    results, machine = [], timeline.machine
    powers_w = [
        fitting.part.specification["continuous_power_w"]
        for fitting in machine.fittings
        if fitting.part.category == "motor" and fitting.part.specification.get("continuous_power_w")
    ]
    share = f"with {100 * DRIVE_EFFICIENCY:.0f} % of the power reaching the ground"
    if powers_w:
        fastest = top_speed_mps(DRIVE_EFFICIENCY * sum(powers_w), *parts)
        method = f"Where this road load uses it up, {share}; the gearing may end it sooner."
        results.append(Result("road_load_top_speed", float(fastest), None, method, "road_load.top_speed_mps"))
    if machine.pack is not None:
        per_km = float(consumption_wh_per_km(STEADY_MPS, *parts, DRIVE_EFFICIENCY))
        reserve = Assumptions.of(timeline.session.revision.vehicle).reserve_fraction
        full_wh = machine.pack.energy_wh
        range_m = remaining_range_m(full_wh, full_wh, reserve, per_km)
        method = f"{per_km:.0f} Wh/km by this road load, {share}, less a reserve of {100 * reserve:.0f} %."
        results.append(Result("road_load_range", float(range_m), None, method, "road_load.consumption_wh_per_km"))
    return results
