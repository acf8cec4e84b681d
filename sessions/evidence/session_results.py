"""From stored sessions to worked-out results."""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

from buildlog.machines.machine import Machine
from calc import speed
from calc.declaration import Measured
from calc.session_facts import PassFacts, ReadingFacts, SessionFacts
from calc.session_report import evaluate, evaluate_all
from calc.session_sheet import Result, SessionReport
from calc.timing import frame_duration_u_s, stopwatch_duration
from sessions.logs.log_facts import log_facts
from sessions.outings.models import Assumptions, Pass, Session

LIGHT_GATE_U_S = 0.002
"""Two beams, each read to about a millisecond (common practice, no source)."""

SATELLITE_U_S = 0.2
"""Crossings interpolated between positions a second apart (common practice, no source)."""


@dataclass(frozen=True)
class PassRow:
    """A pass with the uncertainty of its time and its speed, for the page."""

    run: Pass
    u_duration_s: float
    speed: Measured | None


GROUPS = (
    ("Speed", ("average_gate_speed", "best_gate_speed", "two_way_mean_speed", "peak_speed", "average_speed")),
    ("Energy", ("energy_used", "energy_per_distance", "charge_used", "mean_power", "peak_power")),
    ("Range", ("range", "energy_left", "remaining_range", "turn_back_distance", "runtime_left")),
    ("Rider and tipping", ("wind_chill", "static_stability_factor", "tip_over_threshold")),
)


@dataclass(frozen=True)
class ResultGroup:
    title: str
    cautions: list[str]
    results: list[Result]


def grouped(report: SessionReport) -> list[ResultGroup]:
    """Results under headings; a caution that several numbers share stands once, beside them all."""
    by_key = {result.key: result for result in report.results}
    named = [(title, [by_key.pop(key) for key in keys if key in by_key]) for title, keys in GROUPS]
    named.append(("Battery and limits", list(by_key.values())))
    return [
        ResultGroup(title, list(dict.fromkeys(r.caution for r in results if r.caution)), results)
        for title, results in named
        if results
    ]


def report_for(session: Session) -> SessionReport:
    """One session's results; the session comes from `queries.sessions_with_evidence`."""
    return evaluate(facts_of(session))


def reports_for(sessions: Iterable[Session]) -> dict[uuid.UUID, SessionReport]:
    """The results of many sessions, by their key; the sessions come from `queries.sessions_with_evidence`."""
    listed = list(sessions)
    machines: dict[uuid.UUID, Machine] = {}
    for session in listed:
        if session.revision_id not in machines:
            machines[session.revision_id] = Machine.in_line(session.revision)
    reports = evaluate_all([facts_of(session, machines[session.revision_id]) for session in listed])
    return {session.pk: report for session, report in zip(listed, reports, strict=True)}


def duration_u_s(run: Pass, assumptions: Assumptions) -> float:
    """Standard uncertainty of a pass's time: as stated, or by its method."""
    if run.u_duration_s is not None:
        return run.u_duration_s
    return _usual_duration_u_s(run.method, run.frames_per_s, assumptions.u_press_s)


@lru_cache(maxsize=1024)
def _usual_duration_u_s(method: str, frames_per_s: float | None, u_press_s: float) -> float:
    """What a method of timing usually reaches; the same for every pass timed that way."""
    if method == Pass.Method.VIDEO and frames_per_s:
        return float(frame_duration_u_s(frames_per_s))
    if method == Pass.Method.LIGHT_GATE:
        return LIGHT_GATE_U_S
    if method == Pass.Method.SATELLITE:
        return SATELLITE_U_S
    return float(stopwatch_duration(0.0, 1.0, u_press_s).u)


def pass_rows(session: Session) -> list[PassRow]:
    assumptions = Assumptions.of(session.revision.vehicle)
    rows = []
    for run in session.passes.all():
        u_s = duration_u_s(run, assumptions)
        length_m = run.gate.length_m
        measured = speed.gate_speed(length_m, run.duration_s, run.gate.u_distance_m, u_s) if length_m > 0 else None
        rows.append(PassRow(run, u_s, measured))
    return rows


def facts_of(session: Session, machine: Machine | None = None) -> SessionFacts:
    """What is known of a session, as `calc.session_report` wants it."""
    machine = machine or Machine.in_line(session.revision)
    known = Assumptions.of(session.revision.vehicle)
    rider_kg = session.rider_mass_kg
    load_kg = None if rider_kg is None else rider_kg + (session.payload_kg or 0.0)
    both = machine.with_rider(load_kg)
    distance, charge, energy = session.distance_m, session.charge_used_ah, session.energy_used_wh
    return SessionFacts(
        distance_m=distance,
        u_distance_m=(distance or 0.0) * known.u_distance_fraction,
        runtime_s=session.runtime_s,
        charge_used_ah=charge,
        u_charge_used_ah=(charge or 0.0) * known.u_charge_fraction,
        energy_used_wh=energy,
        u_energy_used_wh=(energy or 0.0) * known.u_energy_fraction,
        log=log_facts([log.summary for log in session.logs.all()], known),
        rest_voltage_start_v=session.rest_voltage_start_v,
        rest_voltage_end_v=session.rest_voltage_end_v,
        u_voltage_v=known.u_voltage_v,
        u_rest_charge_fraction=known.u_rest_charge_fraction,
        reserve_fraction=known.reserve_fraction,
        air_temperature_c=session.air_temperature_c,
        wind_speed_mps=session.wind_speed_mps,
        # A gate that lost its marks in the back room has no length, and its passes no speed.
        passes=tuple(_pass_facts(run, known) for run in session.passes.all() if run.valid and run.gate.length_m > 0),
        readings=tuple(
            ReadingFacts(
                time_s=reading.time_into_session_s,
                voltage_v=reading.voltage_v,
                current_a=reading.current_a,
                charge_used_ah=reading.charge_used_ah,
                battery_temperature_c=reading.battery_temperature_c,
                motor_temperature_c=reading.motor_temperature_c,
                controller_temperature_c=reading.controller_temperature_c,
            )
            for reading in session.readings.all()
        ),
        pack=machine.pack,
        controller=machine.limits("speed_controller"),
        motor=machine.limits("motor"),
        track_width_m=session.revision.track_width_m,
        wheelbase_m=session.revision.wheelbase_m,
        single_contact=machine.single_contact,
        cg_height_m=both.z_m if both else None,
        cg_forward_m=both.x_m if both else None,
        cg_needs=machine.balance.needs_for_rider(load_kg),
    )


def _pass_facts(run: Pass, known: Assumptions) -> PassFacts:
    positions = tuple(run.gate.positions_m)
    has_splits = len(run.split_times_s) == len(positions) - 2 and len(positions) > 2
    if run.direction == Pass.Direction.BACK:
        # Ridden the other way, the marks come in the other order.
        positions = tuple(positions[-1] - position for position in reversed(positions))
    return PassFacts(
        distance_m=run.gate.length_m,
        duration_s=run.duration_s,
        u_distance_m=run.gate.u_distance_m,
        u_duration_s=duration_u_s(run, known),
        direction=run.direction,
        mark_positions_m=positions if has_splits else (),
        mark_times_s=(0.0, *run.split_times_s, run.duration_s) if has_splits else (),
    )
