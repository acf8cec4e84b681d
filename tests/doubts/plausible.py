"""Random plausible machines and their sessions, by physics of its own: it knows nothing of the rules under test.

Machines from 12 V to 400 V, four chemistries, sleds on ice, tracks in snow, karts on asphalt; 0.2 to 60 km, −35 to
+30 °C, riders from 30 to 160 kg. Ranges are common practice, no source.
"""

from dataclasses import dataclass, field

import numpy as np

G = 9.81
# Cell voltages: full while charged, full at rest (lowest, highest), nominal, empty; specific energy (lowest, highest).
CHEMISTRIES = {
    "nickel manganese cobalt": (4.2, 4.08, 4.2, 3.65, 3.0, 110, 230),
    "iron phosphate": (3.65, 3.33, 3.55, 3.2, 2.5, 80, 150),
    "titanate": (2.8, 2.6, 2.75, 2.35, 1.7, 45, 75),
    "lead": (2.45, 2.12, 2.2, 2.0, 1.75, 25, 42),
}
MOST_PASSES = 8


@dataclass
class Outing:
    """Columns of many sessions, each with a machine of its own; NaN where nobody noted a value."""

    build: dict = field(default_factory=dict)
    session: dict = field(default_factory=dict)
    passes: dict = field(default_factory=dict)
    reading: dict = field(default_factory=dict)
    failure: dict = field(default_factory=dict)
    log: dict = field(default_factory=dict)
    truth: dict = field(default_factory=dict)


def _log_uniform(chance, low, high, count):
    return np.exp(chance.uniform(np.log(low), np.log(high), count))


def draw(chance, count, noted=1.0):
    """That many sessions. `noted`: the share of the facts of a session that somebody noted."""
    drawn = _drawn(chance, 2 * count, noted)
    truth = drawn.truth
    machines = (truth["power_w"] / truth["machine_kg"] < 500) & (truth["limit_a"] / truth["capacity_ah"] < 30)
    rides = (truth["runtime_s"] > 10) & (truth["runtime_s"] < 5 * 3600)
    kept = np.flatnonzero(machines & rides)[:count]
    if len(kept) < count:
        raise ValueError(f"only {len(kept)} of {2 * count} draws are machines that somebody would build")
    return Outing(**{name: {key: column[kept] for key, column in part.items()} for name, part in vars(drawn).items()})


def _drawn(chance, count, noted):
    kinds = chance.integers(0, len(CHEMISTRIES), count)
    table = np.array(list(CHEMISTRIES.values()))[kinds]
    cell_full, rest_low, rest_high, cell_nominal, cell_empty, light, dense = table.T

    surface = chance.integers(0, 3, count)  # 0 ice, 1 snow, 2 asphalt
    air_c = np.where(surface < 2, chance.uniform(-35, 8, count), chance.uniform(-10, 30, count))
    other_kg = _log_uniform(chance, 15, 280, count)
    specific = chance.uniform(light, dense)
    pack_kg = other_kg * chance.uniform(0.08, 0.9, count)
    pack_wh = pack_kg * specific
    machine_kg = other_kg + pack_kg
    rider_kg = chance.uniform(30, 160, count)
    payload_kg = np.where(chance.random(count) < 0.3, chance.uniform(0, 0.4, count) * machine_kg, 0.0)
    weight_n = (machine_kg + rider_kg + payload_kg) * G
    rolling = np.select(
        [surface == 0, surface == 1],
        [chance.uniform(0.012, 0.05, count), chance.uniform(0.05, 0.16, count)],
        chance.uniform(0.012, 0.035, count),
    )
    drag_m2 = chance.uniform(0.35, 0.95, count)
    density = 353.0 / (273.15 + air_c)
    top_mps = np.where(surface == 1, chance.uniform(3, 18, count), chance.uniform(4, 32, count))
    efficiency = chance.uniform(0.55, 0.85, count)
    needed_w = (weight_n * rolling + 0.5 * density * drag_m2 * top_mps**2) * top_mps / efficiency
    peak_w = needed_w * chance.uniform(1.1, 2.5, count)
    # Powerful machines have high voltages.
    lowest_v = np.clip(peak_w / 250, 12, 390)
    cells = np.maximum(np.round(_log_uniform(chance, lowest_v, 400, count) / cell_nominal), 4)
    modules = np.where((cells % 2 == 0) & (chance.random(count) < 0.5), 2.0, 1.0)
    full_v, nominal_v, empty_v = cells * cell_full, cells * cell_nominal, cells * cell_empty
    capacity_ah = pack_wh / nominal_v
    limit_a = peak_w / (0.8 * nominal_v) * chance.uniform(1.05, 1.8, count)
    no_load_mps = top_mps / chance.uniform(0.55, 0.93, count)

    share = np.where(chance.random(count) < 0.05, chance.uniform(0.15, 0.3, count), chance.uniform(0.3, 0.85, count))
    mean_mps = top_mps * share
    pull_n = weight_n * rolling + 0.5 * density * drag_m2 * (1.1 * mean_mps) ** 2
    electronics_w = chance.uniform(5, 40, count)
    per_m_wh = (pull_n / efficiency + electronics_w / mean_mps) / 3600.0
    farthest_m = chance.uniform(0.3, 0.95, count) * pack_wh / per_m_wh
    distance_m = np.minimum(_log_uniform(chance, 200, 60000, count), farthest_m)
    runtime_s = distance_m / mean_mps
    energy_wh = distance_m * per_m_wh
    depth = energy_wh / pack_wh
    sag = chance.uniform(0.01, 0.12, count)
    begun_with = chance.uniform(np.minimum(depth + 0.03, 0.99), 1.0)
    ended_with = begun_with - depth

    def rest_v(share_left):
        """A steep end, a long plateau, a rise near full; the same shape for all chemistries, between their ends."""
        plateau = cell_nominal * 0.97 + (rest_low - cell_nominal * 0.97) * np.clip(share_left, 0, 1) ** 1.3
        low_end = cell_empty + (plateau - cell_empty) * np.clip(share_left / 0.1, 0, 1) ** 0.5
        return cells * np.where(share_left > 0.98, rest_low + (rest_high - rest_low) * chance.random(count), low_end)

    rest_start_v, rest_end_v = rest_v(begun_with), rest_v(ended_with) * chance.uniform(0.985, 1.0, count)
    charge_ah = energy_wh / (0.5 * (rest_start_v + rest_end_v) * (1 - 0.7 * sag))

    gate_m = np.minimum(_log_uniform(chance, 20, 400, count), np.maximum(distance_m / 3, 15))
    passes = np.minimum(chance.integers(0, MOST_PASSES + 1, count), np.floor(distance_m / gate_m / 2))
    pass_mps = top_mps[:, None] * chance.uniform(0.5, 1.0, (count, MOST_PASSES))
    pass_s = gate_m[:, None] / pass_mps + chance.normal(0, 0.12, (count, MOST_PASSES))
    pass_s = np.where((np.arange(MOST_PASSES) < passes[:, None]) & (pass_s > 0.8), pass_s, np.nan)
    pauses_s = runtime_s * chance.lognormal(-0.4, 0.7, count) + passes * chance.uniform(20, 120, count)
    elapsed_s = runtime_s + pauses_s + chance.uniform(0, 480, count)

    def meter(values, u):
        return values * (1 + chance.normal(0, u, count))

    def some(values, share_known=None):
        known = chance.random(count) < (noted if share_known is None else share_known * noted)
        return np.where(known, values, np.nan)

    distance_noted, charge_noted, energy_noted = meter(distance_m, 0.02), meter(charge_ah, 0.02), meter(energy_wh, 0.02)
    recharge_wh = np.where(
        chance.random(count) < 0.7,
        energy_wh * chance.uniform(1.05, 1.5, count),
        pack_wh * (1 - ended_with) * chance.uniform(1.05, 1.4, count),
    )
    reached = chance.uniform(0.1, 1.0, count)
    earlier = reached * chance.uniform(0.1, 0.95, count)
    loaded = chance.uniform(-0.15, 1.0, count)
    logged = chance.uniform(0.3, 1.0, count)
    logged = np.where(chance.random(count) < 0.5, 1.0, logged)
    highest_rpm = _log_uniform(chance, 900, 9000, count)
    circumference_m = np.where(surface == 1, chance.uniform(1.2, 3.9, count), chance.uniform(0.6, 2.0, count))
    drive_ratio = np.clip(highest_rpm * circumference_m / 60 / no_load_mps, 0.8, 22)
    highest_rpm = drive_ratio * 60 * no_load_mps / circumference_m
    battery_c = np.clip(air_c + chance.uniform(-3, 35, count), -35, 60)

    outing = Outing()
    outing.build = {
        "module_full_voltage_v": full_v / modules,
        "module_nominal_voltage_v": nominal_v / modules,
        "module_empty_voltage_v": empty_v / modules,
        "module_capacity_ah": capacity_ah,
        "module_mass_kg": some(pack_kg / modules * chance.uniform(0.95, 1.1, count), 0.9),
        "module_continuous_current_a": some(
            np.maximum(limit_a * chance.uniform(0.5, 1.2, count), capacity_ah * 0.3), 0.7
        ),
        "series": modules,
        "parallel": np.ones(count),
        "motor_constant_rpm_per_v": highest_rpm / full_v * chance.normal(1, 0.015, count),
        "motor_highest_speed_rpm": some(highest_rpm * chance.uniform(1.0, 1.8, count), 0.5),
        "motor_peak_power_w": some(peak_w, 0.8),
        "motor_highest_voltage_v": some(full_v * chance.uniform(1, 1.8, count), 0.6),
        "controller_highest_voltage_v": full_v * chance.uniform(1.02, 2.6, count),
        "controller_lowest_voltage_v": some(empty_v * chance.uniform(0.4, 1.0, count), 0.6),
        "controller_peak_current_a": limit_a,
        "rolling_circumference_m": circumference_m,
        "drive_ratio": drive_ratio * chance.normal(1, 0.005, count),
        "wheel_circumference_m": some(circumference_m * chance.normal(1, 0.02, count), 0.6),
        "track_width_m": chance.uniform(0.35, 1.5, count),
        "wheelbase_m": chance.uniform(0.7, 2.6, count),
        "mass_without_rider_kg": some(machine_kg, 0.7),
        "parts_mass_kg": machine_kg * chance.uniform(0.6, 1.02, count),
        "cg_height_m": some(chance.uniform(0.15, 0.7, count), 0.4),
        "seat_z_m": some(chance.uniform(0.12, 0.8, count), 0.8),
        "seat_x_m": some(chance.uniform(0.1, 0.7, count), 0.8),
    }
    outing.truth = {
        "full_v": full_v,
        "nominal_v": nominal_v,
        "empty_v": empty_v,
        "cells": cells,
        "capacity_ah": capacity_ah,
        "limit_a": limit_a,
        "machine_kg": machine_kg,
        "geared_mps": no_load_mps * chance.normal(1, 0.02, count),
        "on_ice": (surface < 2).astype(float),
        "elapsed_s": some(elapsed_s, 0.8),
        "gate_m": gate_m,
        "last_event_s": elapsed_s * chance.uniform(0.3, 1.0, count),
        "previous_m": _log_uniform(chance, 200, 60000, count),
        "earlier": earlier,
        "track_m": some(distance_m * chance.normal(1, 0.02, count) * chance.uniform(0.4, 1.0, count), 0.5),
        "days_after": chance.uniform(0, 400, count),
        "ahead": -chance.uniform(0, 400, count),
        "charge_ah": charge_ah,
        "distance_m": distance_m,
        "session_s": elapsed_s,
        "power_w": peak_w,
        "runtime_s": runtime_s,
    }
    outing.session = {
        "runtime_s": some(meter(runtime_s, 0.01)),
        "distance_m": some(distance_noted),
        "charge_used_ah": some(charge_noted),
        "energy_used_wh": some(energy_noted, 0.8),
        "recharge_energy_wh": some(recharge_wh, 0.4),
        "rest_voltage_start_v": some(meter(rest_start_v, 0.003)),
        "rest_voltage_end_v": some(meter(rest_end_v, 0.003)),
        "rider_mass_kg": some(rider_kg),
        "payload_kg": some(payload_kg, 0.5),
        "air_temperature_c": some(air_c),
        "wind_speed_mps": some(np.minimum(chance.weibull(2, count) * 4.5, 20.0), 0.7),
        "ice_thickness_cm": some(np.where(surface == 0, chance.uniform(8, 120, count), np.nan), 0.7),
    }
    outing.passes = {
        "duration_s": pass_s,
        "u_duration_s": some(chance.uniform(0.005, 0.15, count), 0.2),
        "frames_per_s": some(chance.choice([24.0, 25, 29.97, 30, 50, 60, 120, 240], count), 0.3),
        "time_into_session_s": some(elapsed_s * chance.uniform(0.05, 1, count)),
    }
    outing.reading = {
        "time_into_session_s": elapsed_s * reached,
        "voltage_v": some(rest_v(begun_with - reached * depth) * (1 - sag * loaded)),
        "current_a": some(limit_a * loaded * chance.uniform(0.3, 1.05, count)),
        "charge_used_ah": some(meter(charge_ah * reached, 0.02)),
        "battery_temperature_c": some(battery_c, 0.8),
        "motor_temperature_c": some(np.minimum(air_c + chance.uniform(0, 120, count), 150)),
        "controller_temperature_c": some(np.minimum(air_c + chance.uniform(0, 70, count), 90)),
        "distance_m": some(meter(distance_m * reached, 0.01)),
    }
    failed_at = chance.uniform(0.05, 1.0, count)
    outing.failure = {
        "time_into_session_s": some(np.maximum(failed_at, 0.05 + 0.5 * failed_at) * elapsed_s, 0.9),
        "distance_into_session_m": some(failed_at * 0.6 * distance_m * runtime_s / elapsed_s, 0.7),
        "before_start_s": -failed_at * elapsed_s,
        "after_end_s": (failed_at - 1) * elapsed_s,
    }
    peak_a = limit_a * chance.uniform(0.25, 1.1, count)
    outing.log = {
        "highest_voltage_v": rest_start_v * chance.uniform(0.99, 1.01, count),
        "lowest_voltage_v": rest_end_v * (1 - chance.uniform(0.03, 0.3, count)),
        "highest_current_a": peak_a,
        "lowest_current_a": -limit_a * chance.uniform(0, 0.4, count),
        "charge_ah": meter(charge_ah * logged, 0.03),
        "energy_wh": meter(energy_wh * logged, 0.03),
        "duration_s": elapsed_s * np.where(logged == 1.0, chance.uniform(1, 1.1, count), logged),
        "usual_step_s": _log_uniform(chance, 0.01, 2.0, count),
        "highest_speed_mps": some(top_mps * chance.uniform(0.9, 1.05, count), 0.8),
        "highest_wheel_speed_mps": some(top_mps * chance.uniform(0.95, 1.1, count), 0.5),
        "highest_motor_speed_rpm": some(highest_rpm * chance.uniform(0.5, 1.0, count), 0.6),
        "distance_m": some(meter(distance_m * logged, 0.02), 0.6),
        "highest_battery_temperature_c": some(np.clip(battery_c + 5, -30, 65), 0.8),
        "lowest_battery_temperature_c": some(battery_c, 0.8),
        "highest_motor_temperature_c": some(air_c + chance.uniform(10, 120, count), 0.8),
        "lowest_motor_temperature_c": some(air_c, 0.8),
        "highest_controller_temperature_c": some(air_c + chance.uniform(5, 70, count), 0.8),
        "lowest_controller_temperature_c": some(air_c, 0.8),
        "hours_off_session": some(chance.uniform(-0.5, 3, count), 0.9),
        "voltage_levels": np.full(count, 200.0),
        "current_levels": np.full(count, 200.0),
        "peak_power_w": peak_a * rest_start_v * 0.9,
        "voltage_slope_sign": -np.ones(count),
        "motor_speed_limit_rpm": highest_rpm,
    }
    return outing
