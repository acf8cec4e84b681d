"""How often the truth of drawn sessions lies within the shown ±: the sessions of `drawn_sessions` laid in columns."""

from __future__ import annotations

from typing import Any

import numpy as np

from calc.cell_curve import ASSUMED_CELL_CURVE
from calc.session_facts import BuildFacts, LogFacts, PackFacts
from calc.session_report import evaluate
from calc.session_table import SessionTable, Split
from tests.reference import drawn_sessions as drawn

PACK = PackFacts(
    full_voltage_v=float(drawn.VOLTS[-1]),
    nominal_voltage_v=drawn.NOMINAL_V,
    empty_voltage_v=float(drawn.VOLTS[0]),
    capacity_ah=drawn.CAPACITY_AH,
    energy_wh=drawn.ENERGY_WH,
    curve=ASSUMED_CELL_CURVE._replace(
        state_of_charge=tuple(drawn.CHARGES.tolist()), voltage_v=tuple(drawn.VOLTS.tolist())
    ),
)
ASSUMED = {
    "u_voltage_v": drawn.VOLTMETER_V,
    "u_rest_charge_fraction": drawn.REST,
    "reserve_fraction": drawn.RESERVE,
    "cold_loss_per_c_fraction": drawn.COLD_PER_C,
}


def _pass_columns(passes: drawn.Passes, count: int) -> dict[str, Any]:
    each = len(passes.is_out)
    owners = np.repeat(np.arange(count), each)
    columns: dict[str, Any] = {
        name: np.full(count * each, getattr(passes, name)) for name in ("distance_m", "u_distance_m", "u_duration_s")
    }
    columns["duration_s"] = passes.duration_s.reshape(-1)
    splits = []
    if passes.clock_s is not None:
        marks = np.array(passes.marks_m)
        u_s = passes.u_duration_s / 2**0.5
        splits = [Split(row, marks, clock_s, u_s, passes.u_distance_m) for row, clock_s in enumerate(passes.clock_s)]
    return {
        "passes": columns,
        "pass_session": owners,
        "pass_is_out": np.tile(passes.is_out, count),
        "pass_gate": np.tile(passes.gate, count),
        "splits": splits,
    }


def _readings(outings: drawn.Outings, count: int) -> dict[str, Any]:
    if outings.volts_under_load is not None:
        each = outings.volts_under_load.shape[1]
        readings = {"voltage_v": outings.volts_under_load.reshape(-1), "current_a": np.full(count * each, 40.0)}
    elif outings.battery_c is not None:
        each, readings = 1, {"battery_temperature_c": np.full(count, outings.battery_c)}
    else:
        return {}
    unknown = np.full(count * each, np.nan)
    names = ("voltage_v", "current_a", "motor_temperature_c", "controller_temperature_c", "battery_temperature_c")
    return {
        "readings": {name: readings.get(name, unknown) for name in names},
        "reading_session": np.repeat(np.arange(count), each),
    }


def _logs(outings: drawn.Outings) -> dict[str, Any]:
    if outings.logged_wh is None:
        return {}
    rows = zip(outings.logged_wh.tolist(), outings.logged_ah.tolist(), strict=True)
    return {
        "logs": [
            LogFacts(energy_wh=wh, u_energy_wh=drawn.COUNTER * wh, charge_ah=ah, u_charge_ah=drawn.COUNTER * ah)
            for wh, ah in rows
        ]
    }


def within(scenario: drawn.Scenario, seed: int, count: int) -> dict[str, tuple[int, int]]:
    """For each result of a scenario: in how many of so many outings the truth lies within the shown ±2u.

    An outing for which the result was not shown counts for neither.
    """
    outings = scenario.draw(np.random.default_rng(seed), count)
    table = SessionTable(
        count,
        outings.noted | {name: np.full(count, value) for name, value in ASSUMED.items()},
        builds=[BuildFacts(pack=PACK)],
        build=np.zeros(count, dtype=int),
        **(_pass_columns(outings.passes, count) if outings.passes is not None else {}),
        **_readings(outings, count),
        **_logs(outings),
    )
    reports = evaluate(table)
    counts = {}
    for key in (*scenario.held, *scenario.careful):
        shown = reports.measured(key)
        known = ~np.isnan(shown.value)
        inside = np.abs(outings.true[key] - shown.value) <= 2 * shown.u
        counts[key] = (int((inside & known).sum()), int(known.sum()))
    return counts
