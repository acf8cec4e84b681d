"""Single slips as people and loggers make them, on a generated outing; they know nothing of the code under test."""

from dataclasses import dataclass

import numpy as np

from tests.doubts.plausible import Outing


@dataclass(frozen=True)
class Made:
    """A slip: the part of an outing, the fact, what was done, and the value that stands then.

    `by_nature`: why such a slip often stays within what is plausible; its rate is printed without a goal.
    """

    part: str
    fact: str
    what: str
    standing: object
    by_nature: str = ""

    @property
    def name(self):
        return f"{self.part} {self.fact}: {self.what}"


def times(factor):
    return lambda value, truth: value * factor


MINUTES = "minutes typed as seconds", times(1 / 60)
SECONDS = "seconds typed as minutes", times(60)
TENFOLD, TENTH = ("ten times", times(10)), ("a tenth", times(0.1))
NO_MARK = "decimal mark lost (two digits)", times(100)
FAHRENHEIT = "°F typed as °C", lambda value, truth: value * 1.8 + 32
SIGN = "sign turned", lambda value, truth: -value
POUNDS = "lb typed as kg", times(1 / 0.45359237)
ALONE = "nothing else of the session says how much it was"
WITHIN = "the other value is as plausible"

SLIPS_MADE = [
    *(Made("session", "runtime_s", *slip) for slip in (MINUTES, SECONDS, TENFOLD, TENTH)),
    Made("session", "distance_m", "km typed as m", times(1e-3)),
    Made("session", "distance_m", "m typed as km", times(1e3)),
    *(Made("session", "distance_m", *slip) for slip in (TENFOLD, TENTH, NO_MARK)),
    Made(
        "session",
        "distance_m",
        "wheel counter not reset",
        lambda value, truth: value + truth["previous_m"],
        "a counter that had run little before",
    ),
    Made("session", "distance_m", "miles typed as km", times(1 / 1.609344), WITHIN),
    Made("session", "charge_used_ah", "mAh typed as Ah", times(1e3)),
    Made("session", "charge_used_ah", "Ah typed as mAh", times(1e-3)),
    *(Made("session", "charge_used_ah", *slip) for slip in (TENFOLD, TENTH, NO_MARK)),
    Made("session", "energy_used_wh", "kWh typed as Wh", times(1e-3)),
    Made("session", "energy_used_wh", "Wh typed as kWh", times(1e3)),
    *(Made("session", "energy_used_wh", *slip) for slip in (TENFOLD, TENTH)),
    Made("session", "recharge_energy_wh", "kWh typed as Wh", times(1e-3)),
    Made("session", "recharge_energy_wh", "Wh typed as kWh", times(1e3)),
    Made("session", "recharge_energy_wh", *TENTH, "a pack that is charged from further down takes more"),
    Made("session", "recharge_energy_wh", *TENFOLD, "a pack that is charged from further down takes more"),
    *(
        Made("session", fact, what, times(factor))
        for fact in ("rest_voltage_start_v", "rest_voltage_end_v")
        for what, factor in (("mV typed as V", 1e3), ("cV typed as V", 100), ("ten times", 10), ("a tenth", 0.1))
    ),
    Made("session", "rest_voltage_start_v", "of one cell", lambda value, truth: value / truth["cells"]),
    Made("session", "rider_mass_kg", *TENFOLD),
    Made("session", "rider_mass_kg", *TENTH),
    Made("session", "rider_mass_kg", *POUNDS, "a light rider's pounds are a heavy rider's kilograms"),
    Made("session", "air_temperature_c", *FAHRENHEIT, "below −10 °C the other unit gives a mild day"),
    Made("session", "air_temperature_c", *SIGN, WITHIN),
    Made("session", "air_temperature_c", *TENFOLD, "near 0 °C ten times as much is a cold day"),
    Made("session", "wind_speed_mps", "km/h typed as m/s", times(3.6), WITHIN),
    Made("session", "ice_thickness_cm", "mm typed as cm", times(10), "thin ice in mm is thick ice in cm"),
    Made("session", "ice_thickness_cm", "m typed as cm", times(0.01)),
    *(Made("pass", "duration_s", *slip) for slip in (MINUTES, SECONDS, TENFOLD, TENTH, NO_MARK)),
    Made("pass", "frames_per_s", "decimal mark lost (two digits)", times(100)),
    Made("pass", "time_into_session_s", *SECONDS),
    Made("pass", "time_into_session_s", *MINUTES, "earlier in the session is as plausible"),
    *(
        Made("reading", "voltage_v", what, times(factor))
        for what, factor in (("mV typed as V", 1e3), ("cV typed as V", 100), ("ten times", 10), ("a tenth", 0.1))
    ),
    Made("reading", "voltage_v", "of one cell", lambda value, truth: value / truth["cells"]),
    Made("reading", "current_a", "mA typed as A", times(1e3)),
    Made("reading", "current_a", *TENFOLD, "a tenth of a high current"),
    Made("reading", "current_a", *SIGN, "a pack takes current back when braking"),
    Made("reading", "charge_used_ah", "mAh typed as Ah", times(1e3)),
    Made("reading", "charge_used_ah", *TENFOLD),
    Made("reading", "charge_used_ah", *TENTH),
    Made("reading", "charge_used_ah", *SIGN, "a sign turned on a small charge is regeneration"),
    Made("reading", "distance_m", "m typed as km", times(1e3)),
    Made("reading", "distance_m", "km typed as m", times(1e-3)),
    Made("reading", "distance_m", *TENFOLD),
    Made("reading", "battery_temperature_c", *FAHRENHEIT, "a cold pack's other unit is a warm pack"),
    Made("reading", "battery_temperature_c", *SIGN, "near 0 °C either sign is plausible"),
    Made("reading", "time_into_session_s", *SECONDS),
    Made("failure", "time_into_session_s", *SECONDS),
    Made("failure", "time_into_session_s", *MINUTES, "earlier in the session is as plausible"),
    Made("failure", "distance_into_session_m", "m typed as km", times(1e3)),
    Made("failure", "distance_into_session_m", *TENFOLD, "a tenth of the distance"),
    *(Made("build", "drive_ratio", *slip) for slip in (TENFOLD, TENTH)),
    Made("build", "rolling_circumference_m", "mm typed as m", times(1e3)),
    Made("build", "rolling_circumference_m", "cm typed as m", times(1e2)),
    Made("build", "rolling_circumference_m", "the diameter", times(1 / np.pi)),
    Made("build", "motor_constant_rpm_per_v", *TENFOLD),
    Made("build", "motor_constant_rpm_per_v", *TENTH),
    Made("build", "module_full_voltage_v", "mV typed as V", times(1e3)),
    Made("build", "module_full_voltage_v", *TENFOLD),
    Made("build", "module_capacity_ah", "mAh typed as Ah", times(1e3)),
    Made("build", "module_capacity_ah", "Ah typed as mAh", times(1e-3)),
    Made("build", "module_capacity_ah", *TENFOLD, "where the module was not weighed"),
    Made("build", "controller_highest_voltage_v", *TENTH),
    Made("build", "controller_highest_voltage_v", *TENFOLD),
    Made("build", "motor_peak_power_w", "kW typed as W", times(1e-3)),
    Made("build", "motor_peak_power_w", "W typed as kW", times(1e3)),
    Made("build", "mass_without_rider_kg", *TENTH),
    Made("build", "mass_without_rider_kg", *TENFOLD, "heavy machines exist"),
    Made("build", "mass_without_rider_kg", *POUNDS, WITHIN),
    Made("build", "track_width_m", "mm typed as m", times(1e3)),
    Made("build", "track_width_m", "cm typed as m", times(1e2)),
    Made("build", "wheelbase_m", "cm typed as m", times(1e2)),
    Made("build", "seat_z_m", "cm typed as m", times(1e2)),
    Made("build", "cg_height_m", "cm typed as m", times(1e2)),
]
"""Slips of one typed value. What a column of a log is wrongly taken for changes several facts at once: `LOG_SLIPS`."""


def _scaled(*names):
    def with_factor(factor):
        return lambda log, truth: {name: log[name] * factor for name in names}

    return with_factor


_VOLTS = _scaled("highest_voltage_v", "lowest_voltage_v", "energy_wh", "peak_power_w")
_AMPERES = _scaled("highest_current_a", "lowest_current_a", "charge_ah", "energy_wh", "peak_power_w")
_CLOCK = _scaled("duration_s", "usual_step_s", "charge_ah", "energy_wh")


def _discharge_negative(log, truth):
    return {
        "highest_current_a": -log["lowest_current_a"],
        "lowest_current_a": -log["highest_current_a"],
        "charge_ah": -log["charge_ah"],
        "energy_wh": -log["energy_wh"],
        "voltage_slope_sign": -log["voltage_slope_sign"],
        "peak_power_w": -log["lowest_current_a"] * log["highest_voltage_v"],
    }


def _motor_current(log, truth):
    """At part throttle the motor's current is a multiple of the pack's."""
    return _AMPERES(2.2)(log, truth)


LOG_SLIPS = [
    Made("log", "voltage", "mV taken as V", _VOLTS(1e3)),
    Made("log", "voltage", "cV taken as V", _VOLTS(1e2)),
    Made("log", "voltage", "tenfold", _VOLTS(10)),
    Made("log", "voltage", "of one cell", lambda log, truth: _VOLTS(1 / truth["cells"])(log, truth)),
    Made("log", "current", "mA taken as A", _AMPERES(1e3)),
    Made("log", "current", "cA taken as A", _AMPERES(1e2)),
    Made("log", "current", "tenfold", _AMPERES(10)),
    Made("log", "current", "a tenth", _AMPERES(0.1), "a gentle ride takes a tenth of a hard one"),
    Made("log", "current", "discharge below zero", _discharge_negative),
    Made(
        "log",
        "current",
        "motor current in place of the pack's",
        _motor_current,
        "both stay below the limits; the columns' names tell them apart",
    ),
    Made(
        "log",
        "current",
        "a setting in place of the current",
        lambda log, truth: {"current_levels": np.ones_like(log["current_levels"])},
    ),
    Made("log", "time", "ms taken as s", _CLOCK(1e3)),
    Made("log", "time", "s taken as ms", _CLOCK(1e-3)),
    Made("log", "time", "µs taken as ms", _CLOCK(1e3)),
    Made("log", "time", "min taken as s", _CLOCK(1 / 60)),
    Made("log", "time", "h taken as s", _CLOCK(1 / 3600)),
    Made(
        "log",
        "time",
        "day and month exchanged",
        lambda log, truth: {"hours_off_session": log["hours_off_session"] + 24.0 * 29},
    ),
    Made(
        "log",
        "time",
        "clock changed by an hour",
        lambda log, truth: {"hours_off_session": log["hours_off_session"] + 1.0},
        "a log may begin an hour into its session",
    ),
    Made("log", "speed", "km/h taken as m/s", _scaled("highest_speed_mps")(3.6)),
    Made(
        "log",
        "speed",
        "m/s taken as km/h",
        _scaled("highest_speed_mps")(1 / 3.6),
        "a third of the speed is a slow ride",
    ),
    Made("log", "speed", "mm/s taken as m/s", _scaled("highest_speed_mps")(1e3)),
    Made("log", "motor_speed", "electrical turns of 7 pole pairs", _scaled("highest_motor_speed_rpm")(7)),
    Made("log", "distance", "km taken as m", _scaled("distance_m")(1e-3)),
    Made("log", "distance", "m taken as km", _scaled("distance_m")(1e3)),
    *(
        Made(
            "log",
            f"{part}_temperature",
            "tenths of a degree",
            _scaled(f"highest_{part}_temperature_c", f"lowest_{part}_temperature_c")(10),
            "ten times little warmth",
        )
        for part in ("battery", "motor", "controller")
    ),
]


def slipped(outing, made):
    """The outing with one slip made on every session, and the rows in which it changes something."""
    parts = {"build": "build", "session": "session", "pass": "passes", "reading": "reading", "failure": "failure"}
    copied = {name: dict(columns) for name, columns in vars(outing).items()}
    if made in LOG_SLIPS:
        changes = made.standing(outing.log, outing.truth)
        before = np.array([outing.log[name] for name in changes])
        copied["log"] |= changes
        after = np.array(list(changes.values()))
    else:
        part = copied[parts[made.part]]
        column = part[made.fact].copy()
        target = column[:, 0] if column.ndim == 2 else column
        before = target.copy()[np.newaxis]
        target[:] = made.standing(target.copy(), outing.truth)
        after = target[np.newaxis]
        part[made.fact] = column
    with np.errstate(invalid="ignore"):
        changed = (np.abs(after - before) > 0.01 * np.abs(before)).any(axis=0)
    return Outing(**copied), changed
