"""How near a session came to the limits of pack, controller and motor."""

from __future__ import annotations

from typing import Any

import numpy as np

from calc import pack
from calc.session_facts import LimitFacts
from calc.session_sheet import Sheet

BATTERY = "Over a maker's limit cells, cable or controller can burn. The maker's data and a qualified person decide."


def electrical_limits(sheet: Sheet) -> None:
    """Power, current, sag, resistance, and the margin to every limit that is known."""
    _power_and_current(sheet)
    _sag_and_resistance(sheet)
    for name, limits in (("controller", sheet.facts.controller), ("motor", sheet.facts.motor)):
        _margins(sheet, name, limits)
    _lowest_voltage(sheet)


def _electrical_samples(sheet: Sheet) -> tuple[np.ndarray, np.ndarray, str]:
    """Voltage and current taken together, from the log or from readings."""
    log = sheet.facts.log
    if log is not None:
        return np.asarray(log.voltage_v, dtype=float), np.asarray(log.current_a, dtype=float), "log"
    both = sheet.readings_with("voltage_v", "current_a")
    volts = np.array([reading.voltage_v for reading in both], dtype=float)
    return volts, np.array([reading.current_a for reading in both], dtype=float), "readings"


def _power_and_current(sheet: Sheet) -> None:
    volts, amperes, source = _electrical_samples(sheet)
    seen = volts.size or None
    improve = "" if source == "log" else "Readings miss peaks; a log does not."
    if not sheet.lacks("peak_power", "Peak power", a_reading_of_voltage_and_current_together=seen):
        sheet.add("peak_power", "Peak power", "power", float(np.max(volts * amperes)),
                  f"Largest voltage × current in {volts.size} {source}.", "energy.energy_wh", evidence=source,
                  improve=improve)  # fmt: skip
    currents = amperes if source == "log" else np.array(
        [reading.current_a for reading in sheet.readings_with("current_a")], dtype=float
    )  # fmt: skip
    peak_a: Any = float(currents.max()) if currents.size else None
    capacity: Any = sheet.facts.pack.capacity_ah if sheet.facts.pack is not None else None
    if not sheet.lacks("c_rate", "Peak C-rate", a_reading_of_current=peak_a, a_battery_pack_on_the_revision=capacity):
        sheet.add("c_rate", "Peak C-rate", "ratio", pack.c_rate(peak_a, capacity),
                  "Largest current over the pack's capacity, per hour.", "pack.c_rate", evidence=source,
                  improve=improve, caution=BATTERY)  # fmt: skip
    continuous: Any = sheet.facts.pack.continuous_current_a if sheet.facts.pack is not None else None
    if not sheet.lacks("pack_current_margin", "Pack current margin", a_reading_of_current=peak_a,
                       continuous_current_of_the_modules=continuous):  # fmt: skip
        sheet.add("pack_current_margin", "Pack current margin", "current",
                  pack.current_margin_a(continuous, max(peak_a, 0.0)),
                  "Continuous limit of the pack less the largest current seen; below zero it was passed.",
                  "pack.current_margin_a", caution=BATTERY)  # fmt: skip


def _sag_and_resistance(sheet: Sheet) -> None:
    volts, amperes, source = _electrical_samples(sheet)
    rest = sheet.facts.rest_voltage_start_v
    lowest: Any = float(volts[amperes > 0].min()) if (amperes > 0).any() else None
    if not sheet.lacks("voltage_sag", "Voltage sag", rest_voltage_before=rest, a_voltage_under_load=lowest):
        sheet.add("voltage_sag", "Voltage sag", "voltage", (rest - lowest, np.sqrt(2.0) * sheet.facts.u_voltage_v),
                  "Rest voltage before, less the lowest voltage under load; emptying is in it too.",
                  "pack.internal_resistance_ohm", evidence=source)  # fmt: skip
    label = "Pack resistance"
    if volts.size >= 3 and np.ptp(amperes) > 0:
        fit = pack.resistance_by_regression(volts, amperes)
        # A slope that could as well be nothing is not an answer.
        if fit.resistance_ohm > 2 * fit.u_resistance_ohm:
            sheet.add("pack_resistance", label, "resistance", (fit.resistance_ohm, fit.u_resistance_ohm),
                      f"Slope of voltage over current in {volts.size} {source}; high, for the pack was emptying.",
                      "pack.resistance_by_regression", evidence=source)  # fmt: skip
            return
    elif volts.size == 2 and amperes[0] != amperes[1]:
        step = pack.internal_resistance(volts[0], amperes[0], volts[1], amperes[1], sheet.facts.u_voltage_v)
        if step.value > 0:
            sheet.add("pack_resistance", label, "resistance", step, "From two readings at different currents.",
                      "pack.internal_resistance", improve="More readings, close together in time.")  # fmt: skip
            return
    sheet.lacks("pack_resistance", label, readings_at_clearly_different_currents_close_together=None)


def _margins(sheet: Sheet, name: str, known_limits: LimitFacts | None) -> None:
    limits: Any = known_limits or LimitFacts()
    full: Any = sheet.facts.pack.full_voltage_v if sheet.facts.pack is not None else None
    key, label = f"{name}_voltage_margin", f"{name.capitalize()} voltage margin"
    known = {f"highest_voltage_of_the_{name}": limits.highest_voltage_v, "a_battery_pack_on_the_revision": full}
    if not sheet.lacks(key, label, **known):
        sheet.add(key, label, "voltage", pack.voltage_margin_v(limits.highest_voltage_v, full),
                  f"Limit {limits.highest_voltage_v:g} V less full pack {full:g} V; below zero it is over.",
                  "pack.voltage_margin_v", caution=BATTERY)  # fmt: skip
    currents = [reading.current_a for reading in sheet.readings_with("current_a") if reading.current_a is not None]
    if sheet.facts.log is not None:
        currents = [float(np.max(sheet.facts.log.current_a))]
    peak_a: Any = max(currents, default=None)
    key, label = f"{name}_current_margin", f"{name.capitalize()} current margin"
    known = {f"continuous_current_of_the_{name}": limits.continuous_current_a, "a_reading_of_current": peak_a}
    if not sheet.lacks(key, label, **known):
        sheet.add(key, label, "current", pack.current_margin_a(limits.continuous_current_a, max(peak_a, 0.0)),
                  "Continuous limit less the largest battery current seen.", "pack.current_margin_a",
                  caution=BATTERY)  # fmt: skip
    field = f"{name}_temperature_c"
    hottest = max((getattr(reading, field) for reading in sheet.readings_with(field)), default=None)
    key, label = f"{name}_temperature_margin", f"{name.capitalize()} temperature margin"
    known = {
        f"highest_temperature_of_the_{name}": limits.highest_temperature_c,
        f"a_reading_of_{name}_temperature": hottest,
    }
    if not sheet.lacks(key, label, **known):
        sheet.add(key, label, "temperature difference",
                  limits.highest_temperature_c - hottest,
                  f"Limit less the hottest reading, {hottest:g} °C.", "")  # fmt: skip


def _lowest_voltage(sheet: Sheet) -> None:
    volts, _, source = _electrical_samples(sheet)
    lowest: Any = float(volts.min()) if volts.size else None
    empty: Any = sheet.facts.pack.empty_voltage_v if sheet.facts.pack is not None else None
    label = "Margin to empty voltage"
    if not sheet.lacks("empty_voltage_margin", label, a_voltage_reading_with_current=lowest,
                       a_battery_pack_on_the_revision=empty):  # fmt: skip
        sheet.add("empty_voltage_margin", label, "voltage", (lowest - empty, sheet.facts.u_voltage_v),
                  f"Lowest voltage seen, {lowest:g} V, less the pack's empty voltage {empty:g} V.",
                  "pack.voltage_margin_v", evidence=source, caution=BATTERY)  # fmt: skip
