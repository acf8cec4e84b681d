"""Results of a session's logs alone, each number with its method and caution."""

from __future__ import annotations

from typing import Any

import numpy as np

from calc.cautions import BATTERY
from calc.drivetrain import temperature_margin_c
from calc.session_facts import LogFacts
from calc.session_sheet import Result
from calc.speed import wheel_slip
from sessions.logs.log_facts import log_facts
from sessions.logs.timeline import Timeline
from sessions.outings.models import Assumptions

SLOWEST_MPS = 2.0
"""Slip is computed above this speed; below it both speeds are mostly noise (common practice, no source)."""

SLIPPING = "A track or wheel that slips grips less sideways too; on ice the machine may spin."


def results_of(timeline: Timeline, known: Assumptions) -> list[Result]:
    """Energy, power, sag, resistance, temperatures against their limits, and slip."""
    facts = log_facts([log.summary for log in timeline.logs], known)
    results: list[Result] = []
    if facts is not None:
        results += _electrical(facts, timeline.session.rest_voltage_start_v, known)
    results += _temperatures(timeline)
    results += _slip(timeline)
    return results


def _result(
    key: str,
    label: str,
    kind: str,
    value: float | None,
    kernel: str,
    method: str,
    *,
    u: float | None = None,
    caution: str = "",
) -> list[Result]:
    if value is None:
        return []
    return [Result(key, label, kind, float(value), u, method, kernel, evidence="log", caution=caution)]


def _electrical(facts: LogFacts, rest_v: float | None, known: Assumptions) -> list[Result]:
    charge = "recording.electrical_summary"
    out = _result(
        "charge",
        "Charge used",
        "charge",
        facts.charge_ah,
        charge,
        "Current integrated, less what was regenerated.",
        u=facts.u_charge_ah,
    )
    out += _result(
        "returned_charge",
        "Charge regenerated",
        "charge",
        facts.returned_ah,
        charge,
        "Current below zero, integrated.",
    )
    out += _result(
        "energy",
        "Energy used",
        "energy",
        facts.energy_wh,
        charge,
        "Power integrated, less what was regenerated.",
        u=facts.u_energy_wh,
    )
    out += _result(
        "returned", "Energy regenerated", "energy", facts.returned_wh, charge, "Power below zero, integrated."
    )
    taken_wh = (facts.energy_wh or 0.0) + (facts.returned_wh or 0.0)
    if facts.returned_wh and taken_wh > 0:
        share = facts.returned_wh / taken_wh
        out += _result("returned_share", "Share regenerated", "fraction", share, charge, "Of the energy taken out.")
    out += _result("mean_power", "Mean power", "power", facts.mean_power_w, charge, "Net energy over the time logged.")
    out += _result(
        "peak_power", "Peak power", "power", facts.peak_power_w, charge, "Largest voltage × current.", caution=BATTERY
    )
    out += _result(
        "highest_current",
        "Highest current",
        "current",
        facts.highest_current_a,
        charge,
        "Largest battery current.",
        caution=BATTERY,
    )
    if rest_v is not None and facts.lowest_voltage_v is not None:
        out += _result(
            "sag",
            "Voltage sag",
            "voltage",
            rest_v - facts.lowest_voltage_v,
            "pack.internal_resistance_ohm",
            "Rest voltage before, less the lowest under load; includes the fall in open-circuit voltage.",
            u=float(np.sqrt(2.0)) * known.u_voltage_v,
            caution=BATTERY,
        )
    out += _result(
        "lowest_voltage",
        "Lowest voltage",
        "voltage",
        facts.lowest_voltage_v,
        charge,
        "Under load.",
        u=known.u_voltage_v,
    )
    out += _result(
        "highest_voltage",
        "Highest voltage",
        "voltage",
        facts.highest_voltage_v,
        charge,
        "Highest logged, also without current.",
        u=known.u_voltage_v,
        caution=BATTERY,
    )
    out += _result(
        "resistance",
        "Pack resistance",
        "resistance",
        facts.resistance_ohm,
        "recording.resistance_under_discharge",
        "Slope of voltage over current; open-circuit voltage falls with the charge used.",
        u=facts.u_resistance_ohm,
    )
    return out


def _temperatures(timeline: Timeline) -> list[Result]:
    out: list[Result] = []
    machine = timeline.machine
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
        out += _result(
            f"{name}_hottest",
            f"Hottest {name}",
            "temperature",
            hottest,
            "",
            "Highest value logged.",
            caution=BATTERY if name == "battery" else "",
        )
        if limits is not None and limits.highest_temperature_c is not None:
            left = temperature_margin_c(limits.highest_temperature_c, hottest)
            out += _result(
                f"{name}_margin",
                f"{name.capitalize()}: to its limit",
                "temperature difference",
                left,
                "drivetrain.temperature_margin_c",
                f"Limit {limits.highest_temperature_c:g} °C less the hottest; below zero it was passed.",
                caution=BATTERY,
            )
        if name == "battery" and machine.pack is not None and machine.pack.lowest_temperature_c is not None:
            coldest, lowest_c = min(lowest for lowest, _ in ends), machine.pack.lowest_temperature_c
            out += _result(
                "battery_cold_margin",
                "Battery: to its lowest temperature",
                "temperature difference",
                temperature_margin_c(coldest, lowest_c),
                "drivetrain.temperature_margin_c",
                f"The coldest, {coldest:g} °C, less its limit {lowest_c:g} °C; below zero it was passed.",
                caution=BATTERY,
            )
    return out


def _slip_samples(timeline: Timeline) -> Any | None:
    """Slip wherever both speeds are known, and fast enough to be compared."""
    wheel, ground = timeline.wheel_speed(), timeline.ground_speed()
    if wheel is None or ground is None or ground.time_s.size < 2:
        return None
    inside = (wheel.time_s >= ground.time_s[0]) & (wheel.time_s <= ground.time_s[-1])
    times, turning = wheel.time_s[inside], np.abs(wheel.values[inside])
    over_ground = np.maximum(np.interp(times, ground.time_s, ground.values), 0.0)
    fast = (turning > SLOWEST_MPS) & (over_ground > SLOWEST_MPS)
    if fast.sum() < 5:
        return None
    return wheel_slip(turning[fast], over_ground[fast])


def _slip(timeline: Timeline) -> list[Result]:
    slip = _slip_samples(timeline)
    if slip is None:
        return []
    out = _result(
        "slip",
        "Slip, median",
        "fraction",
        float(np.median(slip)),
        "speed.wheel_slip",
        "Wheel or track speed against speed over ground, above 7 km/h. A wrong rolling circumference shows "
        "up here as steady slip.",
        caution=SLIPPING,
    )
    out += _result(
        "slip_high",
        "Slip, highest tenth begins at",
        "fraction",
        float(np.quantile(slip, 0.9)),
        "speed.wheel_slip",
        "Nine tenths of the samples are below it.",
    )
    return out
