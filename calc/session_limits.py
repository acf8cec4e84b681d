"""How near sessions came to the limits of pack, controller and motor."""

from __future__ import annotations

from typing import Any

import numpy as np

from calc import drivetrain, pack
from calc.declaration import Measured
from calc.least_squares import lines_by_group
from calc.session_endurance import NEEDS_PACK
from calc.session_sheet import Sheet

BATTERY = "Over a maker's limit cells, cable or controller can burn. The maker's data and a qualified person decide."
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

    def seen(self, row: int) -> str:
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
    sheet.add("peak_power", "Peak power", "power", "energy.energy_wh", power,
              {"a reading of voltage and current together": ~np.isnan(power)},
              lambda row: f"Largest voltage × current in {samples.seen(row)}.",
              evidence=samples.source, improve=samples.improve)  # fmt: skip
    peak_a = samples.or_logged(
        table.log["highest_current_a"],
        table.highest_per_session(samples.owners, samples.amperes, samples.has_current),
    )
    _against_the_pack(sheet, samples, peak_a)
    _sag_and_resistance(sheet, samples)
    for name in ("controller", "motor"):
        _margins(sheet, name, peak_a)
    _lowest_voltage(sheet, samples)


def _against_the_pack(sheet: Sheet, samples: Samples, peak_a: Any) -> None:
    capacity, continuous = sheet.table.pack["capacity_ah"], sheet.table.pack["continuous_current_a"]
    has_peak, has_pack, has_limit = (~np.isnan(values) for values in (peak_a, capacity, continuous))
    rate = sheet.solve(pack.c_rate, has_peak & has_pack, peak_a, capacity)
    sheet.add("c_rate", "Peak C-rate", "ratio", "pack.c_rate", rate,
              {"a reading of current": has_peak, NEEDS_PACK: has_pack},
              "Largest current over the pack's capacity, per hour.", evidence=samples.source,
              improve=samples.improve, caution=BATTERY)  # fmt: skip
    margin = sheet.solve(pack.current_margin_a, has_peak & has_limit, continuous, np.maximum(peak_a, 0.0))
    sheet.add("pack_current_margin", "Pack current margin", "current", "pack.current_margin_a", margin,
              {"a reading of current": has_peak, "continuous current of the modules": has_limit},
              "Continuous limit of the pack less the largest current seen; below zero it was passed.",
              caution=BATTERY)  # fmt: skip


def _sag_and_resistance(sheet: Sheet, samples: Samples) -> None:
    table = sheet.table
    rest, u_voltage = table.facts["rest_voltage_start_v"], table.facts["u_voltage_v"]
    with np.errstate(invalid="ignore"):
        loaded = samples.both & (samples.amperes > 0)
    lowest = samples.or_logged(
        table.log["lowest_voltage_v"], table.lowest_per_session(samples.owners, samples.volts, loaded)
    )
    sheet.add("voltage_sag", "Voltage sag", "voltage", "pack.internal_resistance_ohm",
              Measured(rest - lowest, np.sqrt(2.0) * u_voltage),
              {"rest voltage before": ~np.isnan(rest), "a voltage under load": ~np.isnan(lowest)},
              "Rest voltage before, less the lowest voltage under load; emptying is in it too.",
              evidence=samples.source)  # fmt: skip
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
    by_log = ~np.isnan(table.log["resistance_ohm"])
    value = np.where(by_log, table.log["resistance_ohm"], value)
    u = np.where(by_log, table.log["u_resistance_ohm"], u)

    def how(row: int) -> str:
        if by_log[row]:
            return "Slope of voltage over current in the log, beside an open voltage that falls with the charge used."
        if stepped[row]:
            return "From two readings at different currents."
        return f"Slope of voltage over current in {samples.count[row]} readings; high, for the pack was emptying."

    def by(row: int) -> str:
        if by_log[row]:
            return "recording.resistance_while_emptying"
        return "pack.internal_resistance" if stepped[row] else "pack.resistance_by_regression"

    sheet.add("pack_resistance", "Pack resistance", "resistance", by,
              Measured(value, u), {"readings at clearly different currents, close together": ~np.isnan(value)},
              how, evidence=lambda row: "log" if by_log[row] else "readings")  # fmt: skip


def _steps(sheet: Sheet, samples: Samples) -> Measured:
    """Resistance of the sessions that have exactly two readings, at different currents."""
    table = sheet.table
    rows = np.flatnonzero(samples.both)
    owners = samples.owners[rows]
    order = np.argsort(owners, kind="stable")
    rows, owners = rows[order], owners[order]
    first = np.searchsorted(owners, np.arange(table.count))
    pair = np.flatnonzero(samples.count == 2)
    one, other = rows[first[pair]], rows[first[pair] + 1]
    amperes, volts = samples.amperes, samples.volts
    differ = amperes[one] != amperes[other]
    pair, one, other = pair[differ], one[differ], other[differ]
    value, u = sheet.nothing(), sheet.nothing()
    if pair.size:
        step = pack.internal_resistance(
            volts[one], amperes[one], volts[other], amperes[other], table.facts["u_voltage_v"][pair]
        )
        value[pair], u[pair] = np.where(step.value > 0, step.value, np.nan), step.u
    return Measured(value, u)


def _margins(sheet: Sheet, name: str, peak_a: Any) -> None:
    limits = getattr(sheet.table, name)
    full, highest = sheet.table.pack["full_voltage_v"], limits["highest_voltage_v"]
    has_full, has_highest = ~np.isnan(full), ~np.isnan(highest)
    margin = sheet.solve(pack.voltage_margin_v, has_full & has_highest, highest, full)
    sheet.add(f"{name}_voltage_margin", f"{name.capitalize()} voltage margin", "voltage", "pack.voltage_margin_v",
              margin, {f"highest voltage of the {name}": has_highest, NEEDS_PACK: has_full},
              lambda row: f"Limit {highest[row]:g} V less full pack {full[row]:g} V; below zero it is over.",
              caution=BATTERY)  # fmt: skip
    continuous = limits["continuous_current_a"]
    has_limit, has_peak = ~np.isnan(continuous), ~np.isnan(peak_a)
    margin = sheet.solve(pack.current_margin_a, has_limit & has_peak, continuous, np.maximum(peak_a, 0.0))
    sheet.add(f"{name}_current_margin", f"{name.capitalize()} current margin", "current", "pack.current_margin_a",
              margin, {f"continuous current of the {name}": has_limit, "a reading of current": has_peak},
              "Continuous limit less the largest battery current seen.", caution=BATTERY)  # fmt: skip
    read = sheet.table.readings[f"{name}_temperature_c"]
    hottest = np.fmax(
        sheet.table.highest_per_session(sheet.table.reading_session, read, ~np.isnan(read)),
        sheet.table.log[f"{name}_temperature_c"],
    )
    warmest = limits["highest_temperature_c"]
    has_warmest, has_read = ~np.isnan(warmest), ~np.isnan(hottest)
    margin = sheet.solve(drivetrain.temperature_margin_c, has_warmest & has_read, warmest, hottest)
    sheet.add(f"{name}_temperature_margin", f"{name.capitalize()} temperature margin", "temperature difference",
              "drivetrain.temperature_margin_c", margin,
              {f"highest temperature of the {name}": has_warmest, f"a reading of {name} temperature": has_read},
              lambda row: f"Limit less the hottest reading, {hottest[row]:g} °C.", caution=BATTERY)  # fmt: skip


def _lowest_voltage(sheet: Sheet, samples: Samples) -> None:
    lowest = samples.or_logged(
        sheet.table.log["lowest_voltage_v"],
        sheet.table.lowest_per_session(samples.owners, samples.volts, samples.both),
    )
    empty = sheet.table.pack["empty_voltage_v"]
    sheet.add("empty_voltage_margin", "Margin to empty voltage", "voltage", "pack.voltage_margin_v",
              Measured(lowest - empty, sheet.table.facts["u_voltage_v"]),
              {"a voltage reading with current": ~np.isnan(lowest), NEEDS_PACK: ~np.isnan(empty)},
              lambda row: f"Lowest voltage seen, {lowest[row]:g} V, less the pack's empty voltage {empty[row]:g} V.",
              evidence=samples.source, caution=BATTERY)  # fmt: skip
