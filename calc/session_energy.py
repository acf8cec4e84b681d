"""What a session used: charge, energy, energy per km and mean power, each with its uncertainty budget."""

from __future__ import annotations

from typing import Any

import numpy as np

from calc import energy, pack, speed
from calc.budget import Budget
from calc.declaration import Measured
from calc.session_facts import PACK_U_FRACTION
from calc.session_sheet import Sheet
from calc.session_table import SessionTable
from calc.uncertainty import widened_u

# Sources of error that several results of a session share. There is one voltmeter and one pack.
START, END = "state of charge before", "state of charge after"
VOLTMETER, PACK, COLD = "voltmeter", "pack", "capacity in the cold, as assumed"
COUNTER, METER, DISTANCE = "charge counter", "energy meter", "distance"
UNDER_LOAD, AS_ASSUMED = "voltages under load", "mean voltage, as assumed"

EVIDENCE = ("", "integrated log", "meter", "rest-voltage curve", "charge × mean voltage")
_LOG, _METER, _REST, _PRODUCT = 1, 2, 3, 4


def _joined(table: SessionTable, row: int) -> str:
    """Which logs it rests on, where a session has several."""
    return f" From {table.log_rests_on[row]}." if table.log_rests_on[row] else ""


def energy_columns(sheet: Sheet) -> None:
    """Charge and energy used, and both over distance and time."""
    _rest_states(sheet)
    _charge(sheet)
    _energy(sheet)
    _per_distance(sheet)


def _rest_states(sheet: Sheet) -> None:
    """State of charge before and after, kept for what follows; it is not a result of its own.

    With it goes by how much the voltmeter's standard uncertainty moves it.
    """
    table = sheet.table
    u_voltage = table.facts["u_voltage_v"]
    for moment in ("start", "end"):
        rest = table.facts[f"rest_voltage_{moment}_v"]
        state, moved = sheet.nothing(), sheet.nothing()
        for curve, rows in table.curves:
            # A rest voltage outside the pack's curve is from another pack, or was not measured at rest.
            low, high = curve.voltage_v[0] * 0.99, curve.voltage_v[-1] * 1.01
            with np.errstate(invalid="ignore"):
                inside = rows[(rest[rows] >= low) & (rest[rows] <= high)]
            if inside.size:
                state[inside] = pack.state_of_charge(rest[inside], curve)
                above, below = (
                    np.interp(rest[inside] + step * u_voltage[inside], curve.voltage_v, curve.state_of_charge)
                    for step in (1.0, -1.0)
                )
                moved[inside] = (above - below) / 2.0
        table.facts[f"rest_state_{moment}"] = state
        table.facts[f"rest_state_{moment}_by_voltmeter"] = moved


def _charge(sheet: Sheet) -> None:
    table, facts = sheet.table, sheet.table.facts
    capacity, u_rest = table.pack["capacity_ah"], facts["u_rest_charge_fraction"]
    fallen = facts["rest_state_start"] - facts["rest_state_end"]
    with np.errstate(invalid="ignore"):
        usable = fallen > 0
    value = np.where(usable, fallen * capacity, np.nan)
    source = np.where(usable, _REST, 0)
    by_rest = Budget(
        {
            START: capacity * u_rest,
            END: -capacity * u_rest,
            # The same voltmeter read both, so its error is shared.
            VOLTMETER: capacity * (facts["rest_state_start_by_voltmeter"] - facts["rest_state_end_by_voltmeter"]),
            PACK: value * PACK_U_FRACTION,
        }
    )
    metered = ~np.isnan(facts["charge_used_ah"])
    value = np.where(metered, facts["charge_used_ah"], value)
    u = np.where(metered, facts["u_charge_used_ah"], np.nan)
    source = np.where(metered, _METER, source)
    logged = ~np.isnan(table.log["charge_ah"])
    value = np.where(logged, table.log["charge_ah"], value)
    u = np.where(logged, table.log["u_charge_ah"], u)
    source = np.where(logged, _LOG, source)
    table.facts["charge_source"] = source
    budget = by_rest.only(source == _REST).plus(Budget({COUNTER: np.nan_to_num(u)}))
    methods = (
        "",
        "Current integrated over the log.",
        "Read off a counter.",
        "Rest voltages before and after, through the assumed rest-voltage curve of the pack.",
    )
    kernels = ("", "energy.charge_ah", "energy.energy_from_meter", "pack.state_of_charge")
    known = ~np.isnan(value)
    sheet.add(
        "charge_used",
        lambda row: kernels[source[row]],
        Measured(value, budget),
        {"a charge counter, a log, or rest voltages before and after with a battery pack": known},
        lambda row: methods[source[row]] + (_joined(table, row) if source[row] == _LOG else ""),
        evidence=lambda row: EVIDENCE[source[row]],
        improve=lambda row: "A charge counter or a log would be far better." if source[row] == _REST else "",
    )


_VOLTAGES = (
    "",
    "the mean of the voltage readings under load",
    "the mean of the rest voltages, which is a little high",
    "the pack's nominal voltage",
)
_LOADED = 1


def _mean_voltage(sheet: Sheet) -> tuple[Any, Budget, Any, Any]:
    """Mean voltage of each ride, its budget, which of _VOLTAGES it is, and how many readings under load there are."""
    table, facts, owners = sheet.table, sheet.table.facts, sheet.table.reading_session
    nominal, u_voltage = table.pack["nominal_voltage_v"], facts["u_voltage_v"]
    rest = (facts["rest_voltage_start_v"] + facts["rest_voltage_end_v"]) / 2
    has_rest = ~np.isnan(rest)
    # Under load the voltage sags below the rest voltage by an unknown few per cent.
    mean, assumed_u = np.where(has_rest, rest, nominal), np.where(has_rest, 0.03 * rest, 0.04 * nominal)
    which = np.where(has_rest, 2, 3)
    volts, amperes = table.readings["voltage_v"], table.readings["current_a"]
    with np.errstate(invalid="ignore"):
        loaded = (amperes > 0) & ~np.isnan(volts)
    count = table.count_per_session(owners, loaded)
    loaded_mean = table.mean_per_session(owners, volts, loaded)
    square = table.sum_per_session(owners, (volts - loaded_mean[owners]) ** 2, loaded)
    enough = count >= 2
    spread = np.sqrt(np.divide(square, count - 1.0, out=sheet.nothing(), where=enough))
    # Readings that happen to be alike are still no closer than the voltmeter reads.
    scatter = np.maximum(spread, u_voltage) / np.sqrt(np.maximum(count, 1))
    under_load = np.zeros(table.count)
    if enough.any():
        under_load[enough] = widened_u(scatter[enough], count[enough] - 1.0)
    budget = Budget(
        {
            UNDER_LOAD: under_load,
            AS_ASSUMED: np.where(enough, 0.0, assumed_u),
            VOLTMETER: np.where(enough | has_rest, u_voltage, 0.0),
        }
    )
    return np.where(enough, loaded_mean, mean), budget, np.where(enough, _LOADED, which), count


def _energy(sheet: Sheet) -> None:
    table, facts = sheet.table, sheet.table.facts
    charge = sheet.value("charge_used")
    volts, voltage_budget, which, count = _mean_voltage(sheet)
    with np.errstate(invalid="ignore"):
        both = (charge >= 0) & ~np.isnan(volts)
    product = sheet.solve(energy.energy_from_charge, both, charge, volts)
    charge_source = table.facts["charge_source"]
    source = np.where(both, np.where(charge_source == _REST, _REST, _PRODUCT), 0)
    metered = ~np.isnan(facts["energy_used_wh"])
    value = np.where(metered, facts["energy_used_wh"], getattr(product, "value", product))
    u = np.where(metered, facts["u_energy_used_wh"], np.nan)
    source = np.where(metered, _METER, source)
    logged = ~np.isnan(table.log["energy_wh"])
    value = np.where(logged, table.log["energy_wh"], value)
    u = np.where(logged, table.log["u_energy_wh"], u)
    source = np.where(logged, _LOG, source)
    table.facts["energy_source"] = source
    multiplied = source >= _REST
    of_product = sheet.budgets["charge_used"].times(volts).plus(voltage_budget.times(charge))
    budget = of_product.only(multiplied).plus(Budget({METER: np.nan_to_num(u)}))

    def how(row: int) -> str:
        if source[row] in (_LOG, _METER):
            return (
                f"Power integrated over the log.{_joined(table, row)}" if source[row] == _LOG else "Read off a meter."
            )
        return f"Charge used ({EVIDENCE[charge_source[row]]}) times {_VOLTAGES[which[row]]}."

    def improve(row: int) -> str:
        if not multiplied[row]:
            return ""
        few = "A third voltage under load narrows it much. " if which[row] == _LOADED and count[row] == 2 else ""
        return f"{few}An energy meter or a log would settle it."

    kernels = ("", "energy.energy_wh", "energy.energy_from_meter", "energy.energy_from_charge")
    sheet.add(
        "energy_used",
        lambda row: kernels[min(int(source[row]), 3)],
        Measured(value, budget),
        {
            "an energy meter or the charge used": metered | ~np.isnan(charge),
            "voltage readings, rest voltages or a battery pack": metered | ~np.isnan(volts),
        },
        how,
        evidence=lambda row: EVIDENCE[source[row]],
        improve=improve,
    )


def _per_distance(sheet: Sheet) -> None:
    facts, source = sheet.table.facts, sheet.table.facts["energy_source"]
    distance, runtime, u_distance = facts["distance_m"], facts["runtime_s"], facts["u_distance_m"]
    used, budget = sheet.value("energy_used"), sheet.budgets["energy_used"]
    has_distance, has_runtime, has_energy = (~np.isnan(values) for values in (distance, runtime, used))
    exact = np.zeros(sheet.table.count)
    mean = sheet.solve(speed.gate_speed, has_distance & has_runtime, distance, runtime, u_distance, exact)
    sheet.add(
        "average_speed",
        "speed.gate_speed",
        mean,
        {"distance ridden": has_distance, "runtime": has_runtime},
        "Distance over runtime.",
    )
    # A ride that gave back more than it took used nothing.
    used_wh = np.maximum(used, 0.0)
    answer = sheet.solve(energy.energy_per_distance, has_distance & has_energy, used_wh, distance)
    per_km = getattr(answer, "value", answer)
    per_km_budget = budget.times(1000.0 / distance).plus(Budget({DISTANCE: -per_km * u_distance / distance}))
    sheet.add(
        "energy_per_distance",
        "energy.energy_per_distance",
        Measured(per_km, per_km_budget),
        {"distance ridden": has_distance, "energy used": has_energy},
        lambda row: f"Energy used ({EVIDENCE[source[row]]}) over the distance ridden.",
        evidence=lambda row: EVIDENCE[source[row]],
    )
    hours = runtime / 3600.0
    mean_w = Measured(used / hours, budget.times(1.0 / hours))
    sheet.add(
        "mean_power",
        "energy.energy_wh",
        mean_w,
        {"runtime": has_runtime, "energy used": has_energy},
        "Energy used over the runtime.",
        evidence=lambda row: EVIDENCE[source[row]],
    )
