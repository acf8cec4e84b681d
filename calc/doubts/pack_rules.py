"""Rules over a build: its battery modules, and what they feed."""

from __future__ import annotations

from calc.doubts.columns import Array, Columns
from calc.doubts.rules import UNLIKELY, Rule


def full_voltage_v(c: Columns) -> Array:
    return c.series * c.module_full_voltage_v


def pack_energy_wh(c: Columns) -> Array:
    return c.series * c.parallel * c.module_nominal_voltage_v * c.module_capacity_ah


PACK_RULES = (
    Rule(
        "pack_over_controller",
        "voltage of the full pack against the controller's limit",
        "s · U_full ≤ U_max",
        UNLIKELY,
        ("controller_highest_voltage_v", "module_full_voltage_v"),
        "voltage",
        full_voltage_v,
        high=lambda c: c.controller_highest_voltage_v,
        above="The full pack has {value}, above the controller's limit of {controller_highest_voltage_v}: if it is so, "
        "the controller can fail. Do not switch it on.",
        source="Kirchhoff's law; the maker's limit.",
    ),
    Rule(
        "pack_over_motor",
        "voltage of the full pack against the motor's limit",
        "s · U_full ≤ 1.1 U_max",
        UNLIKELY,
        ("motor_highest_voltage_v", "module_full_voltage_v"),
        "voltage",
        full_voltage_v,
        high=lambda c: 1.1 * c.motor_highest_voltage_v,
        above="The full pack has {value}, above the motor's limit of {motor_highest_voltage_v}.",
        source="Kirchhoff's law; the maker's limit.",
    ),
    Rule(
        "pack_far_under_controller",
        "voltage of the full pack against the controller's limit",
        "s · U_full ≥ 0.15 U_max",
        UNLIKELY,
        ("controller_highest_voltage_v", "module_full_voltage_v"),
        "voltage",
        full_voltage_v,
        low=lambda c: 0.15 * c.controller_highest_voltage_v,
        below="The full pack has {value}, a small part of what the controller is made for "
        "({controller_highest_voltage_v}).",
    ),
    Rule(
        "pack_under_cut_off",
        "voltage of the full pack against the controller's cut-off",
        "s · U_nom ≥ U_cut-off",
        UNLIKELY,
        ("controller_lowest_voltage_v", "module_nominal_voltage_v"),
        "voltage",
        lambda c: c.series * c.module_nominal_voltage_v,
        low=lambda c: c.controller_lowest_voltage_v,
        below="At its nominal {value} the pack is below the controller's cut-off of {controller_lowest_voltage_v}.",
        source="The maker's cut-off.",
    ),
    Rule(
        "cut_off_far_below",
        "the controller's cut-off against its limit",
        "U_cut-off ≥ 0.02 U_max",
        UNLIKELY,
        ("controller_lowest_voltage_v",),
        "voltage",
        lambda c: c.controller_lowest_voltage_v,
        low=lambda c: 0.02 * c.controller_highest_voltage_v,
        below="The controller would cut off at {value} only.",
    ),
    Rule(
        "module_voltages",
        "full against empty voltage of a module",
        "1.05 ≤ U_full / U_empty ≤ 2.2",
        UNLIKELY,
        ("module_full_voltage_v", "module_empty_voltage_v"),
        "ratio",
        lambda c: c.module_full_voltage_v / c.module_empty_voltage_v,
        low=1.05,
        high=2.2,
        below="A module would be full at {module_full_voltage_v} and empty at {module_empty_voltage_v}: too near.",
        above="A module would be full at {module_full_voltage_v} and empty at {module_empty_voltage_v}: too far apart.",
    ),
    Rule(
        "module_nominal_voltage",
        "full against nominal voltage of a module",
        "1.02 ≤ U_full / U_nom ≤ 1.5",
        UNLIKELY,
        ("module_full_voltage_v", "module_nominal_voltage_v"),
        "ratio",
        lambda c: c.module_full_voltage_v / c.module_nominal_voltage_v,
        low=1.02,
        high=1.5,
        below="A module would be full at {module_full_voltage_v} with {module_nominal_voltage_v} nominal.",
        above="A module would be full at {module_full_voltage_v} with {module_nominal_voltage_v} nominal.",
    ),
    Rule(
        "pack_voltage_range",
        "voltage of the full pack",
        "9 V ≤ s · U_full ≤ 900 V",
        UNLIKELY,
        ("module_full_voltage_v",),
        "voltage",
        full_voltage_v,
        low=9.0,
        high=900.0,
        below="The full pack would have {value}.",
        above="The full pack would have {value}.",
    ),
    Rule(
        "module_specific_energy",
        "energy of a module against its mass",
        "15 Wh/kg ≤ U_nom Q / m ≤ 350 Wh/kg",
        UNLIKELY,
        ("module_capacity_ah", "module_mass_kg", "module_nominal_voltage_v"),
        "count",
        lambda c: c.module_nominal_voltage_v * c.module_capacity_ah / c.module_mass_kg,
        low=15.0,
        high=350.0,
        below="A module would hold {value} Wh/kg ({module_capacity_ah} in {module_mass_kg}), less than lead-acid.",
        above="A module would hold {value} Wh/kg ({module_capacity_ah} in {module_mass_kg}), more than any cell sold.",
    ),
    Rule(
        "pack_energy_range",
        "energy of the pack",
        "40 Wh ≤ E ≤ 100 kWh",
        UNLIKELY,
        ("module_capacity_ah",),
        "energy",
        pack_energy_wh,
        low=40.0,
        high=1e5,
        below="The pack would hold {value}.",
        above="The pack would hold {value}.",
    ),
    Rule(
        "module_c_rate",
        "continuous current of a module against its capacity",
        "0.1 h⁻¹ ≤ I / Q ≤ 60 h⁻¹",
        UNLIKELY,
        ("module_continuous_current_a", "module_capacity_ah"),
        "count",
        lambda c: c.module_continuous_current_a / c.module_capacity_ah,
        low=0.1,
        high=60.0,
        below="A module of {module_capacity_ah} would give {module_continuous_current_a} only.",
        above="A module of {module_capacity_ah} would give {module_continuous_current_a}, {value} times its capacity "
        "an hour.",
    ),
    Rule(
        "module_resistance",
        "sag of a module at its continuous current against its voltage",
        "R I ≤ 0.4 U_nom",
        UNLIKELY,
        ("module_resistance_ohm",),
        "voltage",
        lambda c: c.module_resistance_ohm * c.module_continuous_current_a,
        high=lambda c: 0.4 * c.module_nominal_voltage_v,
        above="At its continuous current a module of {module_nominal_voltage_v} would sag by {value}.",
        source="Ohm's law; the share: common practice, no source.",
    ),
)
