"""Rules over a failure: when it was, and how far into its session."""

from __future__ import annotations

from calc.doubts.moment_rules import moment_rules
from calc.doubts.rules import IMPOSSIBLE, UNLIKELY, Fact, Rule, Subject
from calc.doubts.surroundings import TIMES

FACTS = (
    Fact("time_into_session_s", "time into the session", "runtime"),
    Fact("distance_into_session_m", "distance into the session", "trip"),
    Fact("happened_at", "when", "days", without_slips=True),
)
CONTEXT = (
    *TIMES,
    Fact("elapsed_s", "from start to end", "runtime"),
    Fact("runtime_s", "runtime", "runtime"),
    Fact("session_distance_m", "the distance of the session", "trip"),
    Fact("geared_speed_mps", "the speed by the gearing, full pack, no load", "speed"),
    Fact("before_start_s", "before the session began", "runtime"),
    Fact("after_end_s", "after the session ended", "runtime"),
)
RULES = (
    *moment_rules("failure", "It failed"),
    Rule(
        "failure_beyond_distance",
        "distance into the session against its distance",
        "s_into ≤ 1.05 s",
        IMPOSSIBLE,
        ("distance_into_session_m",),
        "trip",
        lambda c: c.distance_into_session_m,
        high=lambda c: 1.05 * c.session_distance_m + 20.0,
        above="It failed after {value} of a session of {session_distance_m}.",
        source="Definition; 5 % for two instruments.",
    ),
    Rule(
        "failure_speed",
        "mean speed until it failed against the speed by the gearing",
        "s_into / t_into ≤ 1.1 · Kv U_full · c / (60 i)",
        IMPOSSIBLE,
        ("time_into_session_s", "distance_into_session_m"),
        "speed",
        lambda c: c.distance_into_session_m / c.time_into_session_s,
        high=lambda c: 1.1 * c.geared_speed_mps,
        above="Until it failed it would have run at {value} ({distance_into_session_m} in {time_into_session_s}); by "
        "its gearing it reaches {geared_speed_mps}.",
        source="A motor of a fixed field turns no faster than Kv · U.",
    ),
    Rule(
        "failure_speed_range",
        "mean speed until it failed",
        "s_into / t_into ≤ 45 m/s",
        UNLIKELY,
        ("time_into_session_s", "distance_into_session_m"),
        "speed",
        lambda c: c.distance_into_session_m / c.time_into_session_s,
        high=45.0,
        above="Until it failed it would have run at {value}: {distance_into_session_m} in {time_into_session_s}.",
    ),
    Rule(
        "failure_before_session",
        "when it failed against the start of its session",
        "t ≥ t_start − 1 h",
        UNLIKELY,
        ("happened_at",),
        "runtime",
        lambda c: c.before_start_s,
        high=3600.0,
        above="It failed {value} before its session began.",
    ),
    Rule(
        "failure_after_session",
        "when it failed against the end of its session",
        "t ≤ t_end + 1 h",
        UNLIKELY,
        ("happened_at",),
        "runtime",
        lambda c: c.after_end_s,
        high=3600.0,
        above="It failed {value} after its session ended.",
    ),
    Rule(
        "failure_before_its_revision",
        "when it failed against the date of the revision",
        "t ≥ date − 2 days",
        UNLIKELY,
        ("happened_at",),
        "days",
        lambda c: c.days_after_revision,
        low=-2.0,
        below="It failed {value} before the revision was made.",
    ),
    Rule(
        "failure_ahead_of_now",
        "when it failed against today",
        "t ≤ now + 1 day",
        IMPOSSIBLE,
        ("happened_at",),
        "days",
        lambda c: c.days_ahead_of_now,
        high=1.0,
        above="It fails {value} from now.",
        source="Definition.",
    ),
)
FAILURE = Subject("failure", FACTS, CONTEXT, RULES)
