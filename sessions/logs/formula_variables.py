"""What can stand in a formula over logged values: each name with the column it is stored in, and its unit."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from calc.formulas import TIME, Formula, read_formula
from calc.kinds import KINDS
from calc.units import quantity_in
from sessions.logs.meanings import BY_COLUMN

NAMES = {
    "voltage": "voltage_v",
    "current": "current_a",
    "power": "logged_power_w",
    "speed": "speed_mps",
    "wheel_speed": "wheel_speed_mps",
    "motor_speed": "motor_speed_rpm",
    "motor_current": "motor_current_a",
    "throttle": "throttle_share",
    "altitude": "altitude_m",
    "distance": "distance_m",
    "battery_temperature": "battery_temperature_c",
    "motor_temperature": "motor_temperature_c",
    "controller_temperature": "controller_temperature_c",
    "lowest_cell_voltage": "lowest_cell_voltage_v",
    "highest_cell_voltage": "highest_cell_voltage_v",
    "charge_out": "charge_out_ah",
    "charge_in": "charge_in_ah",
    "energy_out": "energy_out_wh",
    "energy_in": "energy_in_wh",
    "latitude": "lat_deg",
    "longitude": "lon_deg",
    TIME: "time_s",
}


def read(text: str) -> Formula:
    """A formula over these names. Raises NotAFormula."""
    return read_formula(text, NAMES)


def quantity(name: str, values: Any) -> Any:
    """Stored values of a name, as a quantity."""
    return quantity_in(values, KINDS[BY_COLUMN[NAMES[name]].kind].stored)


def result_in(formula: Formula, unit: str) -> None:
    """Try a formula on plain numbers. Raises NotAFormula where it does not give that unit."""
    known: Mapping[str, Any] = {name: quantity(name, np.array([1.0, 2.0])) for name in (*formula.names, TIME)}
    formula.in_unit(known, unit)
