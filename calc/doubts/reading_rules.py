"""Rules over a reading of the instruments."""

from __future__ import annotations

import numpy as np

from calc.doubts.moment_rules import moment_rules
from calc.doubts.rules import IMPOSSIBLE, UNLIKELY, Fact, Rule, Subject
from calc.doubts.surroundings import MACHINE

FACTS = (
    Fact("time_into_session_s", "time into the session", "runtime"),
    Fact("voltage_v", "voltage", "voltage", more_slips=("cell voltage",)),
    Fact("current_a", "current", "current", signed=True),
    Fact("charge_used_ah", "charge used so far", "charge", signed=True),
    Fact("battery_temperature_c", "battery temperature", "temperature", signed=True),
    Fact("motor_temperature_c", "motor temperature", "temperature", signed=True),
    Fact("controller_temperature_c", "controller temperature", "temperature", signed=True),
    Fact("distance_m", "distance so far", "trip", more_slips=("counter not reset",)),
)
CONTEXT = (
    *MACHINE,
    Fact("air_temperature_c", "the air", "temperature", signed=True),
    Fact("elapsed_s", "from start to end", "runtime"),
    Fact("runtime_s", "runtime", "runtime"),
    Fact("session_charge_ah", "the charge of the whole session", "charge"),
    Fact("session_distance_m", "the distance of the whole session", "trip"),
    Fact("before_charge_ah", "the reading before", "charge"),
    Fact("before_distance_m", "the reading before", "trip"),
    Fact("before_time_s", "the reading before", "runtime"),
    Fact("previous_distance_m", "the distance of the session before", "trip"),
)
_HOTTEST = (("battery", 75.0), ("motor", 200.0), ("controller", 130.0))


def _temperature_rules(part: str, highest_c: float) -> tuple[Rule, ...]:
    name = f"{part}_temperature_c"
    return (
        Rule(
            f"{part}_temperature_range",
            f"{part} temperature",
            f"−50 °C ≤ t ≤ {highest_c:g} °C",
            UNLIKELY,
            (name,),
            "temperature",
            lambda c: getattr(c, name),
            low=-50.0,
            high=highest_c,
            below=f"The {part} would be at {{value}}.",
            above=f"The {part} would be at {{value}}: most are damaged there. Stop, and look.",
        ),
        Rule(
            f"{part}_temperature_under_air",
            f"{part} temperature against the air",
            "t ≥ t_air − 15 °C",
            UNLIKELY,
            (name,),
            "temperature",
            lambda c: getattr(c, name),
            low=lambda c: c.air_temperature_c - 15.0,
            below=f"The {part} would be at {{value}}, far colder than the air ({{air_temperature_c}}).",
            source="Heat flows from the warm to the cold; 15 °C for a machine that was stored colder: common practice, "
            "no source.",
        ),
    )


RULES = (
    Rule(
        "reading_voltage",
        "voltage against the pack",
        "0.6 U_empty ≤ U ≤ 1.06 U_full",
        IMPOSSIBLE,
        ("voltage_v",),
        "voltage",
        lambda c: c.voltage_v,
        low=lambda c: 0.6 * c.pack_empty_voltage_v,
        high=lambda c: 1.06 * c.pack_full_voltage_v,
        below="{value} was read, but even the empty pack has {pack_empty_voltage_v}.",
        above="{value} was read, but the full pack has {pack_full_voltage_v}.",
        source="The maker's voltages of the cell; the margins for load and regeneration: common practice, no source.",
    ),
    Rule(
        "reading_voltage_range",
        "voltage",
        "6 V ≤ U ≤ 900 V",
        UNLIKELY,
        ("voltage_v",),
        "voltage",
        lambda c: c.voltage_v,
        low=6.0,
        high=900.0,
        below="{value} was read: that is the voltage of a cell, not of a pack.",
        above="{value} was read.",
    ),
    Rule(
        "reading_voltage_over_controller",
        "voltage against the controller's limit",
        "U ≤ U_max",
        UNLIKELY,
        ("voltage_v",),
        "voltage",
        lambda c: c.voltage_v,
        high=lambda c: c.controller_highest_voltage_v,
        above="{value} was read, above the controller's limit of {controller_highest_voltage_v}: if it is so, the "
        "controller can fail.",
        source="The maker's limit.",
    ),
    Rule(
        "reading_current",
        "current against pack and controller",
        "−I_max ≤ I ≤ 1.6 I_max",
        UNLIKELY,
        ("current_a",),
        "current",
        lambda c: c.current_a,
        low=lambda c: -c.current_limit_a,
        high=lambda c: 1.6 * c.current_limit_a,
        below="{value} was read; charging with more than the {current_limit_a} that pack and controller give.",
        above="{value} was read, but pack and controller give {current_limit_a}.",
    ),
    Rule(
        "reading_charge_over_capacity",
        "charge so far against the pack's capacity",
        "−0.1 Q_pack ≤ Q ≤ 1.2 Q_pack",
        IMPOSSIBLE,
        ("charge_used_ah",),
        "charge",
        lambda c: c.charge_used_ah,
        low=lambda c: -0.1 * c.pack_capacity_ah,
        high=lambda c: 1.2 * c.pack_capacity_ah,
        below="{value} used so far: more would have come back than went out.",
        above="{value} used so far, but the full pack holds {pack_capacity_ah}.",
        source="Conservation of charge; the margins: common practice, no source.",
    ),
    Rule(
        "reading_charge_over_session",
        "charge so far against the whole session",
        "Q ≤ 1.15 Q_session + 0.2 Ah",
        UNLIKELY,
        ("charge_used_ah",),
        "charge",
        lambda c: c.charge_used_ah,
        high=lambda c: 1.15 * c.session_charge_ah + 0.2,
        above="{value} used so far, but {session_charge_ah} in the whole session.",
    ),
    Rule(
        "reading_charge_falls",
        "charge so far against the reading before",
        "Q ≥ Q_before − 0.05 Q_pack",
        UNLIKELY,
        ("charge_used_ah",),
        "charge",
        lambda c: c.charge_used_ah,
        low=lambda c: c.before_charge_ah - 0.05 * c.pack_capacity_ah,
        below="{value} used so far, after {before_charge_ah} at the reading before.",
    ),
    Rule(
        "reading_mean_current",
        "charge since the reading before against pack and controller",
        "ΔQ / Δt ≤ I_max",
        IMPOSSIBLE,
        ("charge_used_ah",),
        "current",
        lambda c: np.where(
            c.time_into_session_s - c.before_time_s > 30.0,
            (c.charge_used_ah - c.before_charge_ah) * 3600.0 / (c.time_into_session_s - c.before_time_s),
            np.nan,
        ),
        high=lambda c: 1.1 * c.current_limit_a,
        above="Since the reading before, {value} would have flowed on the mean; pack and controller give "
        "{current_limit_a}.",
        source="IEC 80000-6:2022, charge as the integral of current.",
    ),
    Rule(
        "reading_charge_per_distance",
        "charge for each km so far against that of the whole session",
        "0.15 ≤ (Q / s) / (Q_session / s_session) ≤ 6",
        UNLIKELY,
        ("charge_used_ah", "distance_m"),
        "ratio",
        lambda c: np.where(
            (c.charge_used_ah > 0) & (c.distance_m > 0),
            c.charge_used_ah / c.distance_m * c.session_distance_m / c.session_charge_ah,
            np.nan,
        ),
        low=0.15,
        high=6.0,
        below="{charge_used_ah} for {distance_m} so far is far less than the session took on the mean: "
        "{session_charge_ah} for {session_distance_m}.",
        above="{charge_used_ah} for {distance_m} so far is far more than the session took on the mean: "
        "{session_charge_ah} for {session_distance_m}.",
    ),
    Rule(
        "reading_consumption",
        "energy per distance so far",
        "5 Wh/km ≤ Q · U_nominal / s ≤ 500 Wh/km, from 2 km on",
        UNLIKELY,
        ("charge_used_ah", "distance_m"),
        "consumption",
        lambda c: np.where(
            (c.charge_used_ah > 0) & (c.distance_m >= 2000.0),
            1000.0 * c.charge_used_ah * c.pack_nominal_voltage_v / c.distance_m,
            np.nan,
        ),
        low=5.0,
        high=500.0,
        below="It would have used {value} so far, {charge_used_ah} over {distance_m}; such machines use 5 to 500.",
        above="It would have used {value} so far, {charge_used_ah} over {distance_m}; such machines use 5 to 500.",
    ),
    Rule(
        "reading_distance_falls",
        "distance so far against the reading before",
        "s ≥ s_before − 50 m",
        IMPOSSIBLE,
        ("distance_m",),
        "trip",
        lambda c: c.distance_m,
        low=lambda c: c.before_distance_m - 50.0,
        below="{value} ridden so far, after {before_distance_m} at the reading before.",
        source="Definition: a distance does not shrink.",
    ),
    Rule(
        "reading_distance_over_session",
        "distance so far against the whole session",
        "s ≤ 1.05 s_session",
        IMPOSSIBLE,
        ("distance_m",),
        "trip",
        lambda c: c.distance_m,
        high=lambda c: 1.06 * c.session_distance_m + 50.0,
        above="{value} ridden so far, but {session_distance_m} in the whole session.",
        source="Definition; 6 % for two instruments: common practice, no source.",
    ),
    Rule(
        "reading_mean_speed",
        "distance since the reading before against the speed by the gearing",
        "Δs / Δt ≤ 1.15 · Kv U_full · c / (60 i)",
        IMPOSSIBLE,
        ("distance_m",),
        "speed",
        lambda c: np.where(
            c.time_into_session_s - c.before_time_s > 30.0,
            (c.distance_m - c.before_distance_m) / (c.time_into_session_s - c.before_time_s),
            np.nan,
        ),
        high=lambda c: 1.15 * c.geared_speed_mps,
        above="Since the reading before it would have run at {value}; by its gearing it reaches {geared_speed_mps}.",
        source="A motor of a fixed field turns no faster than Kv · U.",
    ),
    *moment_rules("reading", "It was read"),
    *(rule for part, highest_c in _HOTTEST for rule in _temperature_rules(part, highest_c)),
)
READING = Subject("reading", FACTS, CONTEXT, RULES)
