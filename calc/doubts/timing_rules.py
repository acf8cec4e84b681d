"""Rules over a timed pass."""

from __future__ import annotations

from calc.doubts.columns import Array, Columns
from calc.doubts.moment_rules import moment_rules
from calc.doubts.rules import IMPOSSIBLE, UNLIKELY, Fact, Rule, Subject

FACTS = (
    Fact("duration_s", "time", "duration"),
    Fact("u_duration_s", "uncertainty of the time", "duration"),
    Fact("frames_per_s", "frame rate", "frame rate"),
    Fact("time_into_session_s", "time into the session", "runtime"),
)
CONTEXT = (
    Fact("gate_length_m", "the gate", "distance"),
    Fact("geared_speed_mps", "the speed by the gearing, full pack, no load", "speed"),
    Fact("others_mps", "the other passes of this session", "speed"),
    Fact("runtime_s", "runtime", "runtime"),
    Fact("elapsed_s", "from start to end", "runtime"),
)


def speed_mps(c: Columns) -> Array:
    return c.gate_length_m / c.duration_s


_TIME = ("duration_s",)
RULES = (
    Rule(
        "pass_speed",
        "speed of the pass",
        "0.8 m/s ≤ L / t ≤ 80 m/s",
        UNLIKELY,
        _TIME,
        "speed",
        speed_mps,
        low=0.8,
        high=80.0,
        below="The pass would be {value}, a slow walk: {gate_length_m} in {duration_s}.",
        above="The pass would be {value}: {gate_length_m} in {duration_s}.",
    ),
    Rule(
        "pass_over_gearing",
        "speed of the pass against the speed by the gearing",
        "L / t ≤ 1.5 · Kv U_full · c / (60 i)",
        IMPOSSIBLE,
        _TIME,
        "speed",
        speed_mps,
        high=lambda c: 1.5 * c.geared_speed_mps,
        above="The pass would be {value}; by its gearing the machine reaches {geared_speed_mps} with a full pack and "
        "no load. Either the time is wrong, or the gearing of the build.",
        source="A motor of a fixed field turns no faster than Kv · U; half as much again leaves wrong gearing to the "
        "build's own rule: common practice, no source.",
    ),
    Rule(
        "pass_under_gearing",
        "speed of the pass against the speed by the gearing",
        "L / t ≥ 0.1 · Kv U_full · c / (60 i)",
        UNLIKELY,
        _TIME,
        "speed",
        speed_mps,
        low=lambda c: 0.1 * c.geared_speed_mps,
        below="The pass would be {value}, where the gearing is made for {geared_speed_mps}.",
    ),
    Rule(
        "pass_against_others",
        "speed of the pass against the median of the session's others",
        "0.25 ≤ v / v_others ≤ 4",
        UNLIKELY,
        _TIME,
        "speed",
        speed_mps,
        low=lambda c: 0.25 * c.others_mps,
        high=lambda c: 4.0 * c.others_mps,
        below="The pass would be {value}; the others of this session are about {others_mps}.",
        above="The pass would be {value}; the others of this session are about {others_mps}.",
    ),
    Rule(
        "pass_over_runtime",
        "time of the pass against the runtime",
        "t ≤ t_run",
        IMPOSSIBLE,
        _TIME,
        "runtime",
        lambda c: c.duration_s,
        high=lambda c: c.runtime_s,
        above="The pass took {value}, longer than the whole runtime of {runtime_s}.",
        source="Definition.",
    ),
    Rule(
        "pass_uncertainty",
        "uncertainty of the time against the time",
        "u(t) ≤ 0.3 t",
        UNLIKELY,
        ("u_duration_s",),
        "duration",
        lambda c: c.u_duration_s,
        high=lambda c: 0.3 * c.duration_s,
        above="The time is {duration_s} with a standard uncertainty of {value}.",
    ),
    Rule(
        "pass_frame_rate",
        "frame rate",
        "10 ≤ f ≤ 2000 frames/s",
        UNLIKELY,
        ("frames_per_s",),
        "frame rate",
        lambda c: c.frames_per_s,
        low=10.0,
        high=2000.0,
        below="A clip at {value} is not what cameras take.",
        above="A clip at {value} is not what cameras take.",
    ),
    *moment_rules("pass", "The pass was"),
)
TIMED_PASS = Subject("pass", FACTS, CONTEXT, RULES)
