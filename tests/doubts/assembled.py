"""From a generated outing to what each table of rules is asked with; and the slips that are made on it."""

import numpy as np

from calc.doubts.check import check
from calc.doubts.subjects import SUBJECTS


def known_of(outing):
    """What each subject knows of an outing, as the product's reader would hand it over."""
    truth, session, build = outing.truth, outing.session, outing.build
    durations = outing.passes["duration_s"]
    with np.errstate(invalid="ignore", divide="ignore"):
        speeds = truth["gate_m"][:, None] / durations
    unknown = np.full(len(truth["gate_m"]), np.nan)
    best, others = unknown.copy(), unknown.copy()
    any_pass, any_other = ~np.isnan(speeds).all(axis=1), ~np.isnan(speeds[:, 1:]).all(axis=1)
    best[any_pass] = np.nanmax(speeds[any_pass], axis=1)
    others[any_other] = np.nanmedian(speeds[any_other, 1:], axis=1)
    # The fastest pass is at least that fast: its time with twice the usual uncertainty of a stopwatch on top.
    surely = truth["gate_m"] / (truth["gate_m"] / best + 0.24)
    pack = {
        "pack_full_voltage_v": truth["full_v"],
        "pack_nominal_voltage_v": truth["nominal_v"],
        "pack_empty_voltage_v": truth["empty_v"],
        "pack_capacity_ah": truth["capacity_ah"],
        "pack_energy_wh": truth["capacity_ah"] * truth["nominal_v"],
        "pack_cells_in_series": truth["cells"],
        "current_limit_a": truth["limit_a"],
        "controller_highest_voltage_v": build["controller_highest_voltage_v"],
        "motor_peak_power_w": build["motor_peak_power_w"],
        "geared_speed_mps": truth["geared_mps"],
        "machine_mass_kg": truth["machine_kg"],
    }
    times = {"days_after_revision": truth["days_after"], "days_ahead_of_now": truth["ahead"]}
    reading, log = outing.reading, outing.log
    of_session = {
        "elapsed_s": truth["elapsed_s"],
        "runtime_s": session["runtime_s"],
    }
    return {
        "build": {**build, "fastest_pass_mps": surely},
        "session": {
            **session,
            **pack,
            **times,
            "elapsed_s": truth["elapsed_s"],
            "last_event_s": truth["last_event_s"],
            "best_pass_mps": best,
            "on_ice": truth["on_ice"],
            "previous_distance_m": truth["previous_m"],
            "last_reading_distance_m": reading["distance_m"],
            "last_reading_charge_ah": reading["charge_used_ah"],
            "track_length_m": truth["track_m"],
            "log_energy_wh": log["energy_wh"],
            "log_charge_ah": log["charge_ah"],
            "log_duration_s": log["duration_s"],
        },
        "pass": {
            "duration_s": durations[:, 0],
            "u_duration_s": outing.passes["u_duration_s"],
            "frames_per_s": outing.passes["frames_per_s"],
            "time_into_session_s": outing.passes["time_into_session_s"],
            "gate_length_m": truth["gate_m"],
            "geared_speed_mps": truth["geared_mps"],
            "others_mps": others,
            **of_session,
        },
        "reading": {
            **reading,
            **pack,
            **of_session,
            "air_temperature_c": session["air_temperature_c"],
            "session_charge_ah": session["charge_used_ah"],
            "session_distance_m": session["distance_m"],
            "before_charge_ah": truth["charge_ah"] * truth["earlier"],
            "before_distance_m": truth["distance_m"] * truth["earlier"],
            "before_time_s": truth["session_s"] * truth["earlier"],
            "previous_distance_m": truth["previous_m"],
        },
        "failure": {
            **outing.failure,
            **times,
            **of_session,
            "session_distance_m": session["distance_m"],
            "geared_speed_mps": truth["geared_mps"],
        },
        "log": {
            **log,
            **pack,
            **of_session,
            "air_temperature_c": session["air_temperature_c"],
            "session_distance_m": session["distance_m"],
            "session_charge_ah": session["charge_used_ah"],
            "session_energy_wh": session["energy_used_wh"],
        },
    }


def checked_of(outing):
    return {name: check(SUBJECTS[name], known) for name, known in known_of(outing).items()}


def doubted(outing):
    """For each session, whether anything of it is doubted; and how often each rule is broken."""
    checked = checked_of(outing)
    rows = np.any([value.any_breach for value in checked.values()], axis=0)
    counts = {
        f"{name}.{rule.key}": int(broken.sum())
        for name, item in checked.items()
        for rule, broken in zip(item.subject.rules, item.breached, strict=True)
        if broken.any()
    }
    return rows, counts
