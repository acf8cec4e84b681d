"""Stretches in which the machine rolled without power, offered for the road-load fit."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Any

import numpy as np

from calc.coast_down import (
    FEWEST_SAMPLES,
    MOST_FURTHER_RUNS,
    CoastDownFit,
    fit_coast_downs,
    jackknife_u,
    more_runs_each_way,
)
from calc.coasting import coasting_stretches
from calc.endurance import remaining_range_m
from calc.geodesy import local_metres
from calc.resistance import drag_area_m2, rolling_coefficient
from calc.results import Result
from calc.road_load import consumption_wh_per_km, power_w, top_speed_mps
from calc.weather import air_density_kg_per_m3
from sessions.logs.series import positions
from sessions.logs.timeline import Timeline
from sessions.outings.models import Assumptions

MOST_OFFERED = 30
FIT_ROWS = 2000
"""More samples than this add nothing to a fit of a few seconds; every n-th is taken."""
DROPPED_S = 2.0
"""So much after the power is off is left out of the fit: a receiver's speed lags, and a lag of 0.8 s that stays in
costs 11 % of the square part (python -m tests.simulations recordings)."""

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
    amperes = current.at(times)
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

    load: CoastDownFit
    results: list[Result]
    says: str


class CannotFit(ValueError):
    """The chosen stretches do not determine a road load; the message says why."""


def fit_of(timeline: Timeline, chosen: list[Coasting], back: Collection[int]) -> Fit:
    """All chosen stretches in one fit. Raises CannotFit with a sentence."""
    mass = _mass_kg(timeline)
    if mass is None:
        raise CannotFit("The mass is missing: give the revision's mass, or every part's, and the session's rider.")
    runs = []
    for stretch in chosen:
        kept = stretch.time_s >= DROPPED_S
        if int(kept.sum()) < FEWEST_SAMPLES:
            raise CannotFit(
                f"Stretch {stretch.number} is too short: the first {DROPPED_S:g} s are left out, and then fewer than "
                f"{FEWEST_SAMPLES} samples are left."
            )
        runs.append((stretch.time_s[kept], stretch.speed_mps[kept]))
    is_back = np.array([stretch.number in back for stretch in chosen])
    try:
        load = fit_coast_downs(
            np.concatenate([times - times[0] for times, _ in runs]),
            np.concatenate([speeds for _, speeds in runs]),
            np.repeat(np.arange(len(runs)), [times.size for times, _ in runs]),
            is_back,
            mass,
        )
    except ValueError as error:
        raise CannotFit(f"The stretches give no road load: {error}.") from None
    return Fit(load, _results(timeline, load, mass), _says(load, is_back, mass))


def _says(load: CoastDownFit, is_back: Any, mass_kg: float) -> str:
    out, back = int((~is_back).sum()), int(is_back.sum())
    listed = (
        f"{out} out and {back} back in one fit, {mass_kg:.0f} kg, with B = 0: a part that grows as the speed itself "
        "cannot be told from the constant part A and the square part C."
    )
    if load.wind_mps is None:
        return f"{listed} One way only, so wind and slope are in it, and there is no ±: coast the other way too."
    if load.u_a_n is None:
        return f"{listed} A ± takes two or more runs each way: how much they differ is all that tells it."
    return f"{listed} The ± comes from leaving out each run in turn. {_what_it_would_take(load, is_back.size)}".strip()


NEAR_A_N, NEAR_C = 1.5, 0.1
"""How near a road load is wanted: newtons of the constant part, and a share of the square part."""


def _what_it_would_take(load: CoastDownFit, runs: int) -> str:
    if load.u_a_n is None or load.u_c_n_per_mps2 is None or load.c_n_per_mps2 <= 0:
        return ""
    more = (
        more_runs_each_way(load.u_a_n, runs, NEAR_A_N / 2),
        more_runs_each_way(load.u_c_n_per_mps2, runs, NEAR_C * load.c_n_per_mps2 / 2),
    )
    wanted = (f"the constant part to ± {NEAR_A_N:g} N", f"the square part to ± {100 * NEAR_C:.0f} %")
    reached = [
        f"about {count} more runs each way would bring {part}"
        for count, part in zip(more, wanted, strict=True)
        if count
    ]
    beyond = [
        f"{part} takes more than {MOST_FURTHER_RUNS} more runs each way"
        for count, part in zip(more, wanted, strict=True)
        if count is None
    ]
    sentence = "; ".join([*reached, *beyond])
    return f"{sentence[:1].upper()}{sentence[1:]}." if sentence else ""


def _mass_kg(timeline: Timeline) -> float | None:
    machine, session = timeline.machine.mass_kg, timeline.session
    if machine is None or session.rider_mass_kg is None:
        return None
    return machine + session.rider_mass_kg + (session.payload_kg or 0.0)


def _results(timeline: Timeline, load: CoastDownFit, mass_kg: float) -> list[Result]:
    fit = "coast_down.fit_coast_downs"
    results = [
        Result("rolling_force", load.a_n, load.u_a_n, "Runners, belt, tyres, drivetrain.", fit),
        Result("air_factor", load.c_n_per_mps2, load.u_c_n_per_mps2, "Air, and loose snow.", fit),
    ]
    if load.wind_mps is not None and load.c_n_per_mps2 > 0:
        words = "Against the runs out." if load.wind_mps >= 0 else "With the runs out."
        results.append(Result("coast_down_wind", abs(load.wind_mps), None, f"{words} Found by the fit.", fit))
    if load.a_n > 0:
        share = rolling_coefficient(load.a_n, mass_kg)
        u = None if load.u_a_n is None else share * load.u_a_n / load.a_n
        method = "Constant part over the weight."
        results.append(Result("rolling_coefficient", share, u, method, "resistance.rolling_coefficient"))
    air_c = timeline.session.air_temperature_c
    if load.c_n_per_mps2 > 0 and air_c is not None:
        density = float(air_density_kg_per_m3(air_c))
        u = None if load.u_c_n_per_mps2 is None else 2.0 * load.u_c_n_per_mps2 / density
        method = f"At {density:.3f} kg/m³, that day's air at sea level."
        results.append(
            Result("drag_area", drag_area_m2(load.c_n_per_mps2, density), u, method, "resistance.drag_area_m2")
        )
    return results + _foretold(timeline, load)


def _of_each(load: CoastDownFit, result: Callable[[float, float], Any]) -> tuple[Any, Any]:
    """What follows from a road load, and its uncertainty: worked out again without each run in turn."""
    value = result(load.a_n, load.c_n_per_mps2)
    if not load.left_out.size or (load.left_out < 0).any():
        return value, None
    return value, jackknife_u(np.array([result(a, c) for a, c in load.left_out.tolist()]))


CURVE_POINTS = 60
CURVE_TO_MPS = 1.15
"""So far beyond the fastest coasting the curve is drawn: farther out it is a guess."""


def power_curve(load: CoastDownFit, fastest_mps: float) -> tuple[Any, Any, Any] | None:
    """Speeds [m/s], the power at the ground that holds each [W], and its uncertainty; None for a part below zero."""
    if load.a_n < 0 or load.c_n_per_mps2 < 0:
        return None
    speeds = np.linspace(0.0, CURVE_TO_MPS * fastest_mps, CURVE_POINTS)
    watts, u = _of_each(load, lambda a, c: power_w(speeds, a, 0.0, c))
    return speeds, watts, u


STEADY_MPS = 20 / 3.6
DRIVE_EFFICIENCY = 0.8
"""From the pack to the ground: motor, controller and chain together (common practice, no source)."""


def _foretold(timeline: Timeline, load: CoastDownFit) -> list[Result]:
    """What this road load lets motor and pack do; with a part below zero it says nothing of other speeds."""
    if min(load.a_n, load.c_n_per_mps2) < 0 or not (load.a_n or load.c_n_per_mps2):
        return []
    results, machine = [], timeline.machine
    powers_w = [
        fitting.part.specification["continuous_power_w"]
        for fitting in machine.fittings
        if fitting.part.category == "motor" and fitting.part.specification.get("continuous_power_w")
    ]
    share = f"with {100 * DRIVE_EFFICIENCY:.0f} % of the power reaching the ground"
    if powers_w:
        ground_w = DRIVE_EFFICIENCY * sum(powers_w)
        fastest, u = _of_each(load, lambda a, c: top_speed_mps(ground_w, a, 0.0, c))
        method = f"Where this road load uses it up, {share}; the gearing may end it sooner."
        results.append(Result("road_load_top_speed", float(fastest), u, method, "road_load.top_speed_mps"))
    if machine.pack is not None:
        reserve = Assumptions.of(timeline.session.revision.vehicle).reserve_fraction
        full_wh = machine.pack.energy_wh

        def consumed(a: float, c: float) -> float:
            return float(consumption_wh_per_km(STEADY_MPS, a, 0.0, c, DRIVE_EFFICIENCY))

        per_km = consumed(load.a_n, load.c_n_per_mps2)
        range_m, u = _of_each(load, lambda a, c: remaining_range_m(full_wh, full_wh, reserve, consumed(a, c)))
        method = f"{per_km:.0f} Wh/km by this road load, {share}, less a reserve of {100 * reserve:.0f} %."
        results.append(Result("road_load_range", float(range_m), u, method, "road_load.consumption_wh_per_km"))
    return results
