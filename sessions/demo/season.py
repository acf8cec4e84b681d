"""The invented season: what was built, when it was ridden, and what broke."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

from sessions.demo.ride import Build

VEHICLE = "Korpi (invented)"
PURPOSE = "An invented three-runner ice sled with a driven wheel. Crew, lake and numbers are made up."
VENUE = "Lake Hallava (invented)"
CREW = {"Ilo": 78.0, "Runa": 64.0}

CELL_TEMPERATURES = {
    "highest_temperature_c": 60.0,
    "lowest_temperature_c": -20.0,
    "lowest_charging_temperature_c": 0.0,
}
PARTS = {
    # name: category, mass of one, specification, forward, height
    "Module 12s 30 Ah": (
        "battery_module",
        9.4,
        {
            "nominal_voltage_v": 43.2,
            "full_voltage_v": 50.4,
            "empty_voltage_v": 30.0,
            "capacity_ah": 30.0,
            "continuous_current_a": 60.0,
            **CELL_TEMPERATURES,
        },
    ),
    "Module 14s 30 Ah": (
        "battery_module",
        10.9,
        {
            "nominal_voltage_v": 50.4,
            "full_voltage_v": 58.8,
            "empty_voltage_v": 35.0,
            "capacity_ah": 30.0,
            "continuous_current_a": 60.0,
            **CELL_TEMPERATURES,
        },
    ),
    "Hub-less motor 4 kW": (
        "motor",
        8.2,
        {
            "motor_constant_rpm_per_v": 95.0,
            "continuous_power_w": 4200.0,
            "peak_power_w": 7200.0,
            "peak_time_s": 30.0,
            "highest_voltage_v": 72.0,
            "continuous_current_a": 90.0,
            "highest_temperature_c": 110.0,
        },
    ),
    "Controller 72 V 120 A": (
        "speed_controller",
        1.6,
        {
            "highest_voltage_v": 72.0,
            "lowest_voltage_v": 30.0,
            "continuous_current_a": 80.0,
            "peak_current_a": 120.0,
            "highest_temperature_c": 85.0,
        },
    ),
    "Studded wheel 0.41 m": ("driven_wheel", 6.0, {"rolling_circumference_m": 1.29, "width_m": 0.08}),
    "Steel runner": ("runner", 2.3, {"length_m": 0.75, "width_m": 0.012}),
    "Long steel runner": ("runner", 2.9, {"length_m": 1.05, "width_m": 0.012}),
    "Tube frame": ("frame", 24.0, {"length_m": 2.1}),
    "Chain 219": ("drivetrain", 1.1, {"chain_pitch_m": 0.007774}),
    "Chain 428 with tensioner": ("drivetrain", 1.9, {"chain_pitch_m": 0.0127}),
    "Claw brake": ("brake", 3.1, {}),
    "Fairing": ("other", 4.2, {}),
    "Reinforced runner bracket": ("bracket", 0.7, {"thickness_m": 0.006}),
}
PLACES = {
    "battery_module": (0.75, 0.32),
    "motor": (0.25, 0.30),
    "speed_controller": (0.45, 0.40),
    "driven_wheel": (0.0, 0.20),
    "runner": (1.2, 0.05),
    "frame": (0.9, 0.33),
    "drivetrain": (0.15, 0.25),
    "brake": (0.1, 0.15),
    "other": (1.2, 0.55),
    "bracket": (1.35, 0.18),
}


SEAT = (0.7, 0.36)


@dataclass(frozen=True)
class RevisionPlan:
    number: int
    date: date
    purpose: str
    parts: dict[str, tuple[int, int | None, int | None]]
    build: Build
    drive_ratio: float
    track_width_m: float
    modification: tuple[str, str, str, str, float | None] | None = None
    answers: tuple[str, ...] = ()
    trials: tuple[tuple[str, str], ...] = ()
    """Measures that trials of it against its parent ask, each with why."""
    status: str = "retired"


Fitted = dict[str, tuple[int, int | None, int | None]]
"""Parts by name, each with how many, and of battery modules how many in series and in parallel."""

_FIRST_PARTS: Fitted = {
    "Module 12s 30 Ah": (2, 1, 2),
    "Hub-less motor 4 kW": (1, None, None),
    "Controller 72 V 120 A": (1, None, None),
    "Studded wheel 0.41 m": (1, None, None),
    "Steel runner": (2, None, None),
    "Tube frame": (1, None, None),
    "Chain 219": (1, None, None),
    "Claw brake": (1, None, None),
}
_FIRST = Build(
    mass_kg=145.0,
    drag_area_m2=0.62,
    rolling_coefficient=0.034,
    motor_power_w=2500.0,
    no_load_speed_mps=17.0,
    series_cells=12,
    capacity_ah=60.0,
    resistance_ohm=0.035,
)


def _with(parts: Fitted, more: Fitted, out: tuple[str, ...] = ()) -> Fitted:
    return {name: value for name, value in parts.items() if name not in out} | more


_R2 = _with(_FIRST_PARTS, {"Chain 428 with tensioner": (1, None, None)}, out=("Chain 219",))
_R3 = _with(_R2, {"Long steel runner": (2, None, None)}, out=("Steel runner",))
_R4 = _with(_R3, {"Module 14s 30 Ah": (2, 1, 2)}, out=("Module 12s 30 Ah",))
_R5 = _with(_R4, {"Fairing": (1, None, None)})
_R6 = _with(_R5, {"Reinforced runner bracket": (2, None, None)})

SEASON = (
    RevisionPlan(1, date(2025, 12, 6), "As first welded together.", _FIRST_PARTS, _FIRST, 5.2, 0.96),
    RevisionPlan(
        2,
        date(2025, 12, 20),
        "Keep the chain on.",
        _R2,
        replace(_FIRST, mass_kg=146.0),
        5.2,
        0.96,
        ("Heavier chain with a tensioner", "It came off twice at full power.", "failure_rate", "down", 80.0),
        ("chain came off",),
    ),
    RevisionPlan(
        3,
        date(2026, 1, 10),
        "Less drag of the runners, wider stance.",
        _R3,
        replace(_FIRST, mass_kg=147.0, rolling_coefficient=0.027),
        5.2,
        1.16,
        ("Long runners on a wider stance", "It lifted a runner in a turn.", "stability", "up", 20.0),
        ("lifted a runner in a turn",),
    ),
    RevisionPlan(
        4,
        date(2026, 1, 24),
        "More voltage for more speed.",
        _R4,
        replace(
            _FIRST,
            mass_kg=150.0,
            rolling_coefficient=0.027,
            series_cells=14,
            motor_power_w=3200.0,
            no_load_speed_mps=19.9,
        ),
        5.2,
        1.16,
        ("14s modules instead of 12s", "The motor turned out of revs.", "top_speed", "up", 12.0),
    ),
    RevisionPlan(
        5,
        date(2026, 2, 7),
        "Less air drag.",
        _R5,
        replace(
            _FIRST,
            mass_kg=154.0,
            drag_area_m2=0.48,
            rolling_coefficient=0.027,
            series_cells=14,
            motor_power_w=3200.0,
            no_load_speed_mps=19.9,
        ),
        5.2,
        1.16,
        ("Fairing in front of the rider", "Half the power goes into air at speed.", "consumption", "down", 10.0),
    ),
    RevisionPlan(
        6,
        date(2026, 2, 21),
        "Runner brackets that last; taller gearing.",
        _R6,
        replace(
            _FIRST,
            mass_kg=155.5,
            drag_area_m2=0.48,
            rolling_coefficient=0.027,
            series_cells=14,
            motor_power_w=3200.0,
            no_load_speed_mps=22.0,
        ),
        4.7,
        1.16,
        ("Reinforced brackets, ratio 4.7", "A bracket cracked beside the weld.", "failure_rate", "down", 80.0),
        ("runner bracket cracked",),
        (
            ("mean_gate_speed", "Invented: does the taller gearing make it faster through the gate?"),
            ("energy_per_km", "Invented: what does the taller gearing cost?"),
        ),
        "riding",
    ),
)

FAILURES = (
    # revision, session of it, name, part, severity, effect, share of the ride, whys and cause, confirmed
    (1, 0, "chain came off", "Chain 219", 3, "ended", 0.45,
     ("The chain jumped the sprocket.", "It hung slack.", "No tensioner; the frame flexes under load."), True),
    (1, 2, "chain came off", "Chain 219", 3, "ended", 0.7, ("No tensioner; the frame flexes under load.",), True),
    (2, 1, "lifted a runner in a turn", None, 2, "none", 0.3, ("Narrow stance, high rider.",), True),
    (3, 2, "throttle signal lost", "Controller 72 V 120 A", 4, "reduced", 0.8, ("Connector iced up?",), False),
    (4, 1, "runner bracket cracked", None, 2, "ended", 0.55, ("Fatigue beside the weld.",), True),
    (5, 3, "throttle signal lost", "Controller 72 V 120 A", 4, "reduced", 0.85, (), False),
)  # fmt: skip

VERIFICATIONS = (
    # title of the modification, how it was shown, when, what was done and what it showed
    ("Long runners on a wider stance", "calculation", date(2026, 1, 9),
     "Invented: half the track width over the height of the centre of gravity; on ice it slides before it tips."),
    ("Long runners on a wider stance", "inspection", date(2026, 1, 25),
     "Invented: both runners, brackets and bolts looked over after four outings; no play, edges worn evenly."),
)  # fmt: skip

SIGNED_ON = date(2026, 3, 3)
"""The day after the last outing, on which its owner signs what has held."""
RECORDED = (6, 3)
"""The revision, and which of its sessions, that a logger and a receiver recorded: the last one."""
BY_TWO_PHONES = (6, 2)
"""The revision, and which of its sessions, whose last two passes were timed by a phone at each end of the gate."""
FROM_REST = (4, 1)
"""The revision, and which of its sessions, that ended with a standing start."""
FROM_REST_LONGER_S = 4.0
"""How much longer a gate takes from rest: v/2a, to gain 12 m/s at 1.5 m/s² (invented)."""
THUMB_S = 0.09
"""Standard uncertainty of a tap on a phone at a mark, with its clock's (common practice, no source)."""
VOICE_NOTE = (600.0, "Invented, a tone and no voice: the brackets have no crack.")
"""When in the session by two phones it was spoken, and what it says."""
PHOTOS = (
    # what it shows: a failure by its name, or a revision by its number; how it is drawn; what is written below it
    ("runner bracket cracked", "cracked_bracket", "Invented: the crack beside the weld"),
    (6, "reinforced_bracket", "Invented: the bracket that replaced it"),
)
SCALE_ERRORS_KG = (0.3, -0.2, 0.4)
"""Of each scale with what no part's mass has in it: cables, bolts and paint."""
TILT_ERROR_DEG = -0.4
WEIGHING_NOTES = "Invented: three platform scales on the workshop's floor, nobody on the seat."
TILT_NOTES = "Invented: on a hinged board, straps on both sides, nobody on it and nobody below it."
TEST_CARD = (
    "Invented: next outing",
    "Half power until the pack is above 0 °C; straight runs only.",
    "Wind above 10 m/s, less ice than the local rules ask, a hot pack.",
    (
        ("Six passes, both ways", "What the taller gearing costs"),
        ("Look over the brackets before and after", "Whether they last"),
        ("Bend the throttle cable at the bar while it stands on blocks", "Whether the signal is lost there"),
    ),
)
"""Title, limits, what stops the day, and what to try with what it would tell: of the newest revision, still open."""

PIECE = ("Hub-less motor 4 kW", "K-041, invented")
"""A part and the serial number of the piece of it that was on every revision."""
UPKEEP = (
    # kind, what is done, part, torque in N·m, every so many metres, done when, by whom, torque found, what was seen
    ("interval", "Lubricate and tension the chain", "Chain 428 with tensioner", None, 50_000.0, date(2026, 2, 21),
     "Runa (invented)", None, "Invented: two links stiff, freed and oiled."),
    ("torque", "Axle nut of the driven wheel", "Studded wheel 0.41 m", 60.0, None, date(2026, 2, 21),
     "Ilo (invented)", 58.0, "Invented: tightened to the mark again."),
)  # fmt: skip
