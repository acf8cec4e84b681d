"""Rules over a logger's file: its clock, speeds, distance and temperatures."""

from __future__ import annotations

import numpy as np

from calc.doubts.columns import Array, Columns, either
from calc.doubts.rules import IMPOSSIBLE, UNLIKELY, Rule


def _known_ride_s(c: Columns) -> Array:
    return either(c.elapsed_s, c.runtime_s)


LOG_RIDE_RULES = (
    Rule(
        "log_longer_than_session",
        "duration against the session",
        "t ≤ 1.5 t_session + 30 min",
        UNLIKELY,
        ("duration_s",),
        "runtime",
        lambda c: c.duration_s,
        high=lambda c: np.where(np.isnan(c.elapsed_s), 20.0 * c.runtime_s, 1.5 * c.elapsed_s) + 1800.0,
        above="The log is {value} long, far longer than its session.",
    ),
    Rule(
        "log_shorter_than_session",
        "duration against the session",
        "t ≥ 0.025 t_session",
        UNLIKELY,
        ("duration_s",),
        "runtime",
        lambda c: c.duration_s,
        low=lambda c: 0.025 * _known_ride_s(c),
        below="The log is {value} long, less than a fortieth of its session.",
    ),
    Rule(
        "log_duration",
        "duration",
        "3 s ≤ t ≤ 24 h",
        UNLIKELY,
        ("duration_s",),
        "runtime",
        lambda c: c.duration_s,
        low=3.0,
        high=86400.0,
        below="The log is {value} long.",
        above="The log is {value} long.",
    ),
    Rule(
        "log_step",
        "time between two rows",
        "0.5 ms ≤ Δt ≤ 30 s",
        UNLIKELY,
        ("usual_step_s", "duration_s"),
        "duration",
        lambda c: c.usual_step_s,
        low=0.0005,
        high=30.0,
        below="Its rows are {value} apart.",
        above="Its rows are {value} apart.",
    ),
    Rule(
        "log_of_another_day",
        "time of the first row against the session",
        "−6 h ≤ t_first − t_start ≤ 12 h",
        UNLIKELY,
        ("first_at",),
        "hours",
        lambda c: c.hours_off_session,
        low=-6.0,
        high=12.0,
        below="Its first row is {value} before the start of the session: day and month exchanged, another form "
        "of the time, a clock that was not set, or another session.",
        above="Its first row is {value} after the start of the session: day and month exchanged, another form "
        "of the time, a clock that was not set, or another session.",
    ),
    Rule(
        "log_speed_over_gearing",
        "highest speed against the speed by the gearing",
        "max v ≤ 1.4 · Kv U_full · c / (60 i)",
        UNLIKELY,
        ("highest_speed_mps",),
        "speed",
        lambda c: c.highest_speed_mps,
        high=lambda c: 1.4 * c.geared_speed_mps,
        above="The speed reaches {value}; by its gearing the machine reaches {geared_speed_mps}.",
        source="A motor of a fixed field turns no faster than Kv · U; the margin for satellites: common practice, no "
        "source.",
    ),
    Rule(
        "log_speed_under_gearing",
        "highest speed against the speed by the gearing",
        "max v ≥ 0.12 · Kv U_full · c / (60 i)",
        UNLIKELY,
        ("highest_speed_mps",),
        "speed",
        lambda c: c.highest_speed_mps,
        low=lambda c: 0.12 * c.geared_speed_mps,
        below="The speed never passes {value}, where the gearing is made for {geared_speed_mps}.",
    ),
    Rule(
        "log_speed_range",
        "highest speed",
        "1 m/s ≤ max v ≤ 85 m/s",
        UNLIKELY,
        ("highest_speed_mps",),
        "speed",
        lambda c: c.highest_speed_mps,
        low=1.0,
        high=85.0,
        below="The speed never passes {value}.",
        above="The speed reaches {value}.",
    ),
    Rule(
        "log_wheel_speed",
        "highest wheel speed against the speed by the gearing",
        "0.12 ≤ max v / (Kv U_full · c / (60 i)) ≤ 1.4",
        UNLIKELY,
        ("highest_wheel_speed_mps",),
        "speed",
        lambda c: c.highest_wheel_speed_mps,
        low=lambda c: 0.12 * c.geared_speed_mps,
        high=lambda c: 1.4 * c.geared_speed_mps,
        below="The wheel never passes {value}, where the gearing is made for {geared_speed_mps}.",
        above="The wheel reaches {value}; by its gearing it reaches {geared_speed_mps}.",
    ),
    Rule(
        "log_motor_speed",
        "highest motor speed against that by its constant",
        "0.1 ≤ max n / (Kv U_full) ≤ 1.3",
        UNLIKELY,
        ("highest_motor_speed_rpm",),
        "rotation",
        lambda c: c.highest_motor_speed_rpm,
        low=lambda c: 0.1 * c.motor_speed_limit_rpm,
        high=lambda c: 1.3 * c.motor_speed_limit_rpm,
        below="The motor never passes {value}, where it can turn at {motor_speed_limit_rpm}.",
        above="The motor reaches {value}; with a full pack it turns at {motor_speed_limit_rpm}. Electrical in place of "
        "mechanical turns?",
    ),
    Rule(
        "log_distance_of_session",
        "distance against that of the session",
        "0.3 ≤ s / s_session ≤ 3, where the log covers the ride",
        UNLIKELY,
        ("distance_m",),
        "ratio",
        lambda c: np.where(c.duration_s > 0.9 * c.elapsed_s, c.distance_m / c.session_distance_m, np.nan),
        low=0.3,
        high=3.0,
        below="It adds up to {distance_m}, but the session says {session_distance_m}.",
        above="It adds up to {distance_m}, but the session says {session_distance_m}.",
    ),
    Rule(
        "log_mean_speed",
        "distance over duration",
        "s / t ≤ 1.2 · Kv U_full · c / (60 i)",
        IMPOSSIBLE,
        ("distance_m", "duration_s"),
        "speed",
        lambda c: c.distance_m / c.duration_s,
        high=lambda c: 1.2 * np.fmin(c.geared_speed_mps, 70.0),
        above="It would have run at {value} on the mean: {distance_m} in {duration_s}.",
        source="A motor of a fixed field turns no faster than Kv · U.",
    ),
    *(
        Rule(
            f"log_{part}_temperature",
            f"{part} temperature",
            f"t_air − 20 °C ≤ min t, max t ≤ {highest_c:g} °C",
            UNLIKELY,
            (f"highest_{part}_temperature_c",),
            "temperature",
            lambda c, part=part: getattr(c, f"highest_{part}_temperature_c"),  # type: ignore[misc]
            low=lambda c: np.fmax(-45.0, c.air_temperature_c - 20.0),
            high=highest_c,
            below=f"The {part} never passes {{value}}, far colder than the air.",
            above=f"The {part} reaches {{value}}: most are damaged there.",
        )
        for part, highest_c in (("battery", 80.0), ("motor", 220.0), ("controller", 140.0))
    ),
    *(
        Rule(
            f"log_lowest_{part}_temperature",
            f"lowest {part} temperature",
            "−50 °C ≤ min t",
            UNLIKELY,
            (f"lowest_{part}_temperature_c",),
            "temperature",
            lambda c, part=part: getattr(c, f"lowest_{part}_temperature_c"),  # type: ignore[misc]
            low=-50.0,
            below=f"The {part} goes down to {{value}}: a sensor that was not connected, or another unit.",
        )
        for part in ("battery", "motor", "controller")
    ),
)
