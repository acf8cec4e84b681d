"""Results of a session's logs alone, each number with its method and caution."""

from __future__ import annotations

from typing import Any

import numpy as np

from calc.alarms import temperature_alarm
from calc.drivetrain import temperature_margin_c
from calc.results import Result
from calc.session_facts import LogFacts
from calc.speed import wheel_slip
from sessions.logs.log_facts import StoredLog, log_facts
from sessions.logs.timeline import Timeline
from sessions.outings.models import Assumptions

SLOWEST_MPS = 2.0
"""Slip is computed above this speed; below it both speeds are mostly noise (common practice, no source)."""


def results_of(timeline: Timeline, known: Assumptions) -> list[Result]:
    """Energy, power, sag, resistance, temperatures against their limits, and slip."""
    stored = [StoredLog(log.name, log.summary, log.first_at, log.begins_into_session_s) for log in timeline.logs]
    facts = log_facts(stored, timeline.session.started_at, known)
    results: list[Result] = []
    if facts is not None:
        results += _electrical(facts, timeline.session.rest_voltage_start_v, known)
    results += _temperatures(timeline)
    results += _slip(timeline)
    return results


def _result(key: str, value: float | None, kernel: str, method: str, u: float | None = None) -> list[Result]:
    if value is None:
        return []
    return [Result(key, float(value), u, method, kernel, evidence="log")]


def _electrical(facts: LogFacts, rest_v: float | None, known: Assumptions) -> list[Result]:
    summary = "recording.electrical_summary"
    source = f" From {facts.rests_on}." if facts.rests_on else ""
    taken_wh = (facts.energy_wh or 0.0) + (facts.returned_wh or 0.0)
    share = facts.returned_wh / taken_wh if facts.returned_wh and taken_wh > 0 else None
    sag = None if rest_v is None or facts.lowest_voltage_v is None else rest_v - facts.lowest_voltage_v
    return [
        *_result(
            "charge_used",
            facts.charge_ah,
            summary,
            f"Current integrated, less what was regenerated.{source}",
            facts.u_charge_ah,
        ),
        *_result("charge_returned", facts.returned_ah, summary, f"Current below zero, integrated.{source}"),
        *_result(
            "energy_used",
            facts.energy_wh,
            summary,
            f"Power integrated, less what was regenerated.{source}",
            facts.u_energy_wh,
        ),
        *_result("energy_returned", facts.returned_wh, summary, f"Power below zero, integrated.{source}"),
        *_result("returned_share", share, summary, "Of the energy taken out."),
        *_result("mean_power", facts.mean_power_w, summary, "Net energy over the time logged."),
        *_result("peak_power", facts.peak_power_w, summary, "Largest voltage × current."),
        *_result("highest_current", facts.highest_current_a, summary, "Largest battery current."),
        *_result(
            "voltage_sag",
            sag,
            "pack.internal_resistance_ohm",
            "Rest voltage before, less the lowest under load; includes the fall in open-circuit voltage.",
            float(np.sqrt(2.0)) * known.u_voltage_v,
        ),
        *_result("lowest_voltage", facts.lowest_voltage_v, summary, "Under load.", known.u_voltage_v),
        *_result(
            "highest_voltage",
            facts.highest_voltage_v,
            summary,
            "Highest logged, also without current.",
            known.u_voltage_v,
        ),
        *_result(
            "pack_resistance",
            facts.resistance_ohm,
            "recording.resistance_under_discharge",
            "Slope of voltage over current; open-circuit voltage falls with the charge used.",
            facts.u_resistance_ohm,
        ),
    ]


def _temperatures(timeline: Timeline) -> list[Result]:
    out: list[Result] = []
    machine, margin = timeline.machine, "drivetrain.temperature_margin_c"
    for name, limits in (
        ("motor", machine.limits("motor")),
        ("controller", machine.limits("speed_controller")),
        ("battery", machine.pack),
    ):
        ends = [
            columns[f"{name}_temperature_c"]
            for log in timeline.logs
            if f"{name}_temperature_c" in (columns := log.summary.get("columns", {}))
        ]
        if not ends:
            continue
        hottest = max(highest for _, highest in ends)
        out += _result(f"{name}_hottest", hottest, "", "Highest value logged.")
        if limits is not None and limits.highest_temperature_c is not None:
            limit_c = limits.highest_temperature_c
            left, how = temperature_margin_c(limit_c, hottest), f"Limit {limit_c:g} °C less the hottest"
            alarm = temperature_alarm(name, limit_c, hottest)
            out += [Result(f"{name}_temperature_margin", left, None, f"{how}; below zero it was passed.", margin,
                           evidence="log", alarm=alarm)]  # fmt: skip
        if name == "battery" and machine.pack is not None and machine.pack.lowest_temperature_c is not None:
            coldest, lowest_c = min(lowest for lowest, _ in ends), machine.pack.lowest_temperature_c
            left, how = temperature_margin_c(coldest, lowest_c), f"The coldest, {coldest:g} °C, less its limit"
            alarm = temperature_alarm(name, lowest_c, coldest, highest=False)
            out += [Result("battery_cold_margin", left, None, f"{how} {lowest_c:g} °C; below zero it was passed.",
                           margin, evidence="log", alarm=alarm)]  # fmt: skip
    return out


def _slip_samples(timeline: Timeline) -> Any | None:
    """Slip wherever both speeds are known, and fast enough to be compared."""
    wheel, ground = timeline.wheel_speed(), timeline.ground_speed()
    if wheel is None or ground is None or ground.time_s.size < 2:
        return None
    inside = (wheel.time_s >= ground.time_s[0]) & (wheel.time_s <= ground.time_s[-1])
    times, turning = wheel.time_s[inside], np.abs(wheel.values[inside])
    over_ground = np.maximum(ground.at(times), 0.0)
    fast = (turning > SLOWEST_MPS) & (over_ground > SLOWEST_MPS)
    if fast.sum() < 5:
        return None
    return wheel_slip(turning[fast], over_ground[fast])


def _slip(timeline: Timeline) -> list[Result]:
    slip = _slip_samples(timeline)
    if slip is None:
        return []
    middle, high = np.quantile(slip, (0.5, 0.9))
    return [
        *_result(
            "slip",
            middle,
            "speed.wheel_slip",
            "Wheel or track speed against speed over ground, above 7 km/h. A wrong rolling circumference shows up here "
            "as steady slip.",
        ),
        *_result("slip_high", high, "speed.wheel_slip", "Nine tenths of the samples are below it."),
    ]
