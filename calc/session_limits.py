"""Margins of sessions to the limits of pack, controller and motor."""

from __future__ import annotations

from typing import Any

import numpy as np

from calc import drivetrain, pack
from calc.alarms import Alarm, temperature_alarm
from calc.declaration import Measured
from calc.least_squares import lines_by_group
from calc.quantities import written
from calc.session_endurance import NEEDS_PACK
from calc.session_sheet import Sheet
from calc.voltage_margins import Voltage, VoltageMargin, margin_to_cut_off, margin_to_highest, margin_to_highest_v

CHARGING_A = 1.0
CHARGING_SHARE = 0.01
"""Thresholds of charging: current, and regenerated charge as a share of discharge. Smaller values may be the zero
offset of a sensor (common practice, no source)."""

MISSES_PEAKS = "Readings miss peaks; a log does not."


class Samples:
    """Voltage and current of each session: of its log where it has one, or else of its readings."""

    def __init__(self, sheet: Sheet) -> None:
        table = sheet.table
        self.owners = table.reading_session
        self.volts, self.amperes = table.readings["voltage_v"], table.readings["current_a"]
        self.has_current = ~np.isnan(self.amperes)
        self.both = self.has_current & ~np.isnan(self.volts)
        self.count = table.count_per_session(self.owners, self.both)
        self.logged = ~np.isnan(table.log["peak_power_w"])

    def or_logged(self, log_column: Any, of_readings: Any) -> Any:
        return np.where(self.logged, log_column, of_readings)

    def source(self, row: int) -> str:
        return "log" if self.logged[row] else "readings"

    def evidence(self, row: int) -> str:
        return "the log" if self.logged[row] else f"{self.count[row]} readings"

    def improve(self, row: int) -> str:
        return "" if self.logged[row] else MISSES_PEAKS


def electrical_limits(sheet: Sheet) -> None:
    """Power, current, sag, resistance, and the margin to every limit that is known."""
    samples = Samples(sheet)
    table = sheet.table
    power = samples.or_logged(
        table.log["peak_power_w"],
        table.highest_per_session(samples.owners, samples.volts * samples.amperes, samples.both),
    )
    sheet.add(
        "peak_power",
        "energy.energy_wh",
        power,
        {"a reading of voltage and current together": ~np.isnan(power)},
        lambda row: f"Largest voltage × current in {samples.evidence(row)}.",
        evidence=samples.source,
        improve=samples.improve,
    )
    peak_a = samples.or_logged(
        table.log["highest_current_a"],
        table.highest_per_session(samples.owners, samples.amperes, samples.has_current),
    )
    _voltage_margins(sheet, Extremes(sheet))
    _against_the_pack(sheet, samples, peak_a)
    _sag_and_resistance(sheet, samples)
    for name in ("controller", "motor"):
        _current_margin(sheet, name, peak_a)
    _temperature_margins(sheet, samples)
    _lowest_voltage(sheet, samples)


def _against_the_pack(sheet: Sheet, samples: Samples, peak_a: Any) -> None:
    capacity, continuous = sheet.table.pack["capacity_ah"], sheet.table.pack["continuous_current_a"]
    has_peak, has_pack, has_limit = (~np.isnan(values) for values in (peak_a, capacity, continuous))
    rate = sheet.solve(pack.c_rate, has_peak & has_pack, peak_a, capacity)
    sheet.add(
        "c_rate",
        "pack.c_rate",
        rate,
        {"a reading of current": has_peak, NEEDS_PACK: has_pack},
        "Largest current over the pack's capacity, per hour.",
        evidence=samples.source,
        improve=samples.improve,
    )
    margin = sheet.solve(pack.current_margin_a, has_peak & has_limit, continuous, np.maximum(peak_a, 0.0))
    sheet.add(
        "pack_current_margin",
        "pack.current_margin_a",
        margin,
        {"a reading of current": has_peak, "continuous current of the modules": has_limit},
        "Continuous limit of the pack less the largest current seen; below zero it was passed.",
        against=(continuous, peak_a),
    )


def _sag_and_resistance(sheet: Sheet, samples: Samples) -> None:
    table = sheet.table
    rest, u_voltage = table.facts["rest_voltage_start_v"], table.facts["u_voltage_v"]
    with np.errstate(invalid="ignore"):
        loaded = samples.both & (samples.amperes > 0)
    lowest = samples.or_logged(
        table.log["lowest_voltage_v"], table.lowest_per_session(samples.owners, samples.volts, loaded)
    )
    sheet.add(
        "voltage_sag",
        "pack.internal_resistance_ohm",
        Measured(rest - lowest, np.sqrt(2.0) * u_voltage),
        {"rest voltage before": ~np.isnan(rest), "a voltage under load": ~np.isnan(lowest)},
        "Rest voltage before, less the lowest voltage under load; includes the fall in open-circuit voltage.",
        evidence=samples.source,
    )
    lines = lines_by_group(
        samples.amperes[samples.both], samples.volts[samples.both], samples.owners[samples.both], table.count
    )
    with np.errstate(invalid="ignore"):
        # A slope that could as well be nothing is not an answer.
        clear = -lines.slope > 2 * lines.u_slope
    value, u = np.where(clear, -lines.slope, np.nan), lines.u_slope.copy()
    two = _steps(sheet, samples)
    stepped = ~np.isnan(two.value)
    value, u = np.where(stepped, two.value, value), np.where(stepped, two.u, u)
    # One sensor read every current: an error of its scale moves the slope, and no residual shows it.
    u = np.hypot(u, value * np.nan_to_num(table.facts["u_charge_fraction"]))
    by_log = ~np.isnan(table.log["resistance_ohm"])
    value = np.where(by_log, table.log["resistance_ohm"], value)
    u = np.where(by_log, table.log["u_resistance_ohm"], u)

    def how(row: int) -> str:
        if by_log[row]:
            return "Slope of voltage over current in the log; open-circuit voltage falls with the charge used."
        if stepped[row]:
            return "From two readings at different currents."
        readings = f"Slope of voltage over current in {samples.count[row]} readings"
        return f"{readings}; too high, because it includes the fall in open-circuit voltage."

    def by(row: int) -> str:
        if by_log[row]:
            return "recording.resistance_under_discharge"
        return "pack.internal_resistance" if stepped[row] else "pack.resistance_by_regression"

    sheet.add(
        "pack_resistance",
        by,
        Measured(value, u),
        {"readings at clearly different currents, close together": ~np.isnan(value)},
        how,
        evidence=lambda row: "log" if by_log[row] else "readings",
    )


def _steps(sheet: Sheet, samples: Samples) -> Measured:
    """Resistance of the sessions that have exactly two readings, at different currents."""
    table = sheet.table
    rows = np.flatnonzero(samples.both)
    owners = samples.owners[rows]
    order = np.argsort(owners, kind="stable")
    rows, owners = rows[order], owners[order]
    first = np.searchsorted(owners, np.arange(table.count))
    pair = np.flatnonzero(samples.count == 2)
    earlier, later = rows[first[pair]], rows[first[pair] + 1]
    amperes, volts = samples.amperes, samples.volts
    differ = amperes[earlier] != amperes[later]
    pair, earlier, later = pair[differ], earlier[differ], later[differ]
    value, u = sheet.nothing(), sheet.nothing()
    if pair.size:
        step = pack.internal_resistance(
            volts[earlier], amperes[earlier], volts[later], amperes[later], table.facts["u_voltage_v"][pair]
        )
        value[pair], u[pair] = np.where(step.value > 0, step.value, np.nan), step.u
    return Measured(value, u)


_VOLTAGES = (
    ("rest voltage before", "the pack at rest before the ride"),
    ("rest voltage after", "the pack at rest after the ride"),
    ("a reading", "the pack in a reading"),
    ("the log", "the pack in the log"),
    ("the full pack", "the full pack"),
)
"""Sources of a voltage and what they describe. The last is a data sheet; the others were measured."""

_FULL_PACK = len(_VOLTAGES) - 1


class Extremes:
    """The highest and the lowest voltage of each session, with their source."""

    def __init__(self, sheet: Sheet) -> None:
        table = sheet.table
        owners, volts = table.reading_session, table.readings["voltage_v"]
        read = ~np.isnan(volts)
        before, after = table.facts["rest_voltage_start_v"], table.facts["rest_voltage_end_v"]
        full = table.pack["full_voltage_v"]
        # Measured values come first, so that they win over equal ones of a data sheet.
        highest = [before, after, table.highest_per_session(owners, volts, read), table.log["highest_voltage_v"], full]
        lowest = [before, after, table.lowest_per_session(owners, volts, read), table.log["lowest_voltage_v"], full]
        self.highest, self.highest_from = _extreme(highest, np.fmax)
        self.lowest, self.lowest_from = _extreme(lowest, np.fmin)
        self.u_voltage = table.facts["u_voltage_v"]

    def u(self, source: Any) -> Any:
        """A data sheet's voltage has no uncertainty of its own; a measured one that of the meter."""
        return np.where(source == _FULL_PACK, 0.0, self.u_voltage)


def _extreme(columns: list[Any], worst: Any) -> tuple[Any, Any]:
    """The worst of several columns row by row, and which of them that was."""
    value = worst.reduce(columns)
    return value, np.argmax([column == value for column in columns], axis=0)


def _voltage_margins(sheet: Sheet, extremes: Extremes) -> None:
    for name in ("controller", "motor"):
        limit = getattr(sheet.table, name)["highest_voltage_v"]
        _highest_margin(sheet, extremes, name, limit)
    cut_off, lowest, source = sheet.table.controller["lowest_voltage_v"], extremes.lowest, extremes.lowest_from

    def margin(row: int) -> VoltageMargin:
        return margin_to_cut_off(float(cut_off[row]), _voltage(lowest, source, row))

    sheet.add(
        "controller_cut_off_margin",
        "pack.voltage_margin_v",
        Measured(lowest - cut_off, extremes.u(source)),
        {"low-voltage cut-off of the controller": ~np.isnan(cut_off), A_VOLTAGE: ~np.isnan(lowest)},
        lambda row: margin(row).method,
        evidence=lambda row: _VOLTAGES[source[row]][0],
        alarm=lambda row: margin(row).alarm,
        against=(cut_off, lowest),
    )


A_VOLTAGE = "a battery pack on the revision, or a voltage that was measured"


def _voltage(values: Any, source: Any, row: int) -> Voltage:
    return Voltage(float(values[row]), _VOLTAGES[source[row]][1], bool(source[row] != _FULL_PACK))


def _highest_margin(sheet: Sheet, extremes: Extremes, name: str, limit: Any) -> None:
    reached, source = extremes.highest, extremes.highest_from
    has_limit, has_voltage = ~np.isnan(limit), ~np.isnan(reached)
    value = sheet.solve(margin_to_highest_v, has_limit & has_voltage, limit, reached)

    def margin(row: int) -> VoltageMargin:
        return margin_to_highest(name, float(limit[row]), _voltage(reached, source, row))

    sheet.add(
        f"{name}_voltage_margin",
        "pack.voltage_margin_v",
        Measured(value, extremes.u(source)),
        {f"highest voltage of the {name}": has_limit, A_VOLTAGE: has_voltage},
        lambda row: margin(row).method,
        evidence=lambda row: _VOLTAGES[source[row]][0],
        alarm=lambda row: margin(row).alarm,
        against=(limit, reached),
    )


def _current_margin(sheet: Sheet, name: str, peak_a: Any) -> None:
    continuous = getattr(sheet.table, name)["continuous_current_a"]
    has_limit, has_peak = ~np.isnan(continuous), ~np.isnan(peak_a)
    margin = sheet.solve(pack.current_margin_a, has_limit & has_peak, continuous, np.maximum(peak_a, 0.0))
    sheet.add(
        f"{name}_current_margin",
        "pack.current_margin_a",
        margin,
        {f"continuous current of the {name}": has_limit, "a reading of current": has_peak},
        "Continuous limit less the largest battery current seen.",
        against=(continuous, peak_a),
    )


def _temperature_margins(sheet: Sheet, samples: Samples) -> None:
    """What is left to the highest temperature of battery, motor and controller, and to the battery's lowest."""
    table = sheet.table
    for name, limits in (("battery", table.pack), ("controller", table.controller), ("motor", table.motor)):
        read = table.readings[f"{name}_temperature_c"]
        hottest = np.fmax(
            table.highest_per_session(samples.owners, read, ~np.isnan(read)), table.log[f"{name}_temperature_c"]
        )
        _temperature_margin(sheet, name, "highest", limits["highest_temperature_c"], hottest)
    read = table.readings["battery_temperature_c"]
    coldest = np.fmin(
        table.lowest_per_session(samples.owners, read, ~np.isnan(read)), table.log["lowest_battery_temperature_c"]
    )
    _temperature_margin(sheet, "battery", "lowest", table.pack["lowest_temperature_c"], coldest)
    with np.errstate(invalid="ignore"):
        back = samples.amperes < -CHARGING_A
        returned = table.log["returned_ah"]
        logged = returned > CHARGING_SHARE * (table.log["charge_ah"] + returned)
    charging = back & ~np.isnan(read)
    coldest = np.fmin(
        table.lowest_per_session(samples.owners, read, charging),
        np.where(logged, table.log["lowest_battery_temperature_c"], np.nan),
    )
    came_back = logged | (table.count_per_session(samples.owners, back) > 0)
    _temperature_margin(
        sheet, "battery", "lowest charging", table.pack["lowest_charging_temperature_c"], coldest, came_back
    )


def _temperature_margin(
    sheet: Sheet, name: str, which: str, limit: Any, reached: Any, applies: Any | None = None
) -> None:
    """One margin; of the highest temperature what is left above the hottest, of a lowest what is left below."""
    has_limit, has_read = ~np.isnan(limit), ~np.isnan(reached)
    above = which == "highest"
    ends = (limit, reached) if above else (reached, limit)
    margin = sheet.solve(drivetrain.temperature_margin_c, has_limit & has_read, *ends)
    key = {
        "highest": "temperature_margin",
        "lowest": "cold_margin",
        "lowest charging": "cold_charging_margin",
    }[which]
    charged = which == "lowest charging"

    def how(row: int) -> str:
        reached_words, limit_c = (written(value[row], "temperature") for value in (reached, limit))
        if above:
            return f"Limit {limit_c} less the hottest, {reached_words}; below zero it was passed."
        coldest = "Coldest while charge came back" if charged else "Coldest"
        return f"{coldest}, {reached_words}, less the limit {limit_c}; below zero it was passed."

    def alarm(row: int) -> Alarm | None:
        return temperature_alarm(name, float(limit[row]), float(reached[row]), highest=above, charged=charged)

    sheet.add(
        f"{name}_{key}",
        "drivetrain.temperature_margin_c",
        margin,
        {f"{which} temperature of the {name}": has_limit, f"a reading of {name} temperature": has_read},
        how,
        applies=applies,
        alarm=alarm,
        against=(limit, reached),
    )


def _lowest_voltage(sheet: Sheet, samples: Samples) -> None:
    lowest = samples.or_logged(
        sheet.table.log["lowest_voltage_v"],
        sheet.table.lowest_per_session(samples.owners, samples.volts, samples.both),
    )
    empty = sheet.table.pack["empty_voltage_v"]
    sheet.add(
        "empty_voltage_margin",
        "pack.voltage_margin_v",
        Measured(lowest - empty, sheet.table.facts["u_voltage_v"]),
        {"a voltage reading with current": ~np.isnan(lowest), NEEDS_PACK: ~np.isnan(empty)},
        lambda row: (
            f"Lowest voltage seen, {written(lowest[row], 'voltage')}, less the pack's empty voltage, "
            f"{written(empty[row], 'voltage')}."
        ),
        evidence=samples.source,
        against=(empty, lowest),
    )
