"""What a record is compared with: the machine as built, and the rest of its session."""

from __future__ import annotations

import numpy as np

from calc.doubts.columns import Array, Columns
from calc.doubts.rules import Fact

G_MPS2 = 9.80665
"""Standard acceleration of free fall (ISO 80000-3:2019)."""

PACK = (
    Fact("pack_full_voltage_v", "the full pack", "voltage"),
    Fact("pack_nominal_voltage_v", "the pack's nominal voltage", "voltage"),
    Fact("pack_empty_voltage_v", "the empty pack", "voltage"),
    Fact("pack_capacity_ah", "the pack's capacity", "charge"),
    Fact("pack_energy_wh", "the pack's energy", "energy"),
    Fact("pack_cells_in_series", "cells in series", "count"),
    Fact("current_limit_a", "the highest current of pack and controller", "current"),
)
MACHINE = (
    *PACK,
    Fact("controller_highest_voltage_v", "the controller's limit", "voltage"),
    Fact("motor_peak_power_w", "the motor's peak power", "power"),
    Fact("geared_speed_mps", "the speed by the gearing, full pack, no load", "speed"),
    Fact("machine_mass_kg", "the machine's mass without rider", "mass"),
)
TIMES = (
    Fact("days_after_revision", "days after the revision", "days"),
    Fact("days_ahead_of_now", "days ahead of today", "days"),
)


def power_limit_w(columns: Columns) -> Array:
    """The most that pack and controller deliver: the full pack's voltage times the highest current."""
    return columns.pack_full_voltage_v * columns.current_limit_a


def mean_charge_voltage_v(columns: Columns) -> Array:
    """Energy over charge is the mean voltage, weighted by charge."""
    return np.where(columns.charge_used_ah > 0, columns.energy_used_wh / columns.charge_used_ah, np.nan)


def covered_by_log(c: Columns) -> Array:
    """1 where a log covers the session from start to end, NaN where it does not or nobody knows."""
    return np.where(c.log_duration_s > 0.9 * c.elapsed_s, 1.0, np.nan)


def cells_in_series(full_voltage_v: Array) -> Array:
    """Lithium cells in series, by the voltage of the full pack: 4.2 V a cell, or 3.65 V; NaN where neither fits.

    Examples
    --------
    >>> cells_in_series(np.array([58.8, 58.4, 14.7])).tolist()
    [14.0, 16.0, nan]
    """
    cells = np.full(np.shape(full_voltage_v), np.nan)
    for cell_v in (3.65, 4.2):
        count = np.round(full_voltage_v / cell_v)
        cells = np.where((count > 1) & (np.abs(full_voltage_v - count * cell_v) < 0.015 * cell_v), count, cells)
    return cells
