"""Rules of whatever happened at a moment of a session: a pass, a reading, a failure."""

from __future__ import annotations

from calc.doubts.rules import IMPOSSIBLE, UNLIKELY, Rule


def moment_rules(subject: str, happened: str) -> tuple[Rule, Rule]:
    """The moment against the length of the session and against its runtime.

    `subject` begins the keys of the rules, `happened` their sentences, such as "It was read".
    """
    return (
        Rule(
            f"{subject}_after_end",
            "time into the session against its length",
            "t_into ≤ t_end − t_start + 60 s",
            IMPOSSIBLE,
            ("time_into_session_s",),
            "runtime",
            lambda c: c.time_into_session_s,
            high=lambda c: c.elapsed_s + 60.0,
            above=f"{happened} {{value}} into a session that lasted {{elapsed_s}}.",
            source="Definition.",
        ),
        Rule(
            f"{subject}_late_for_runtime",
            "time into the session against the runtime",
            "t_into ≤ 15 t_run + 10 min",
            UNLIKELY,
            ("time_into_session_s",),
            "runtime",
            lambda c: c.time_into_session_s,
            high=lambda c: 15.0 * c.runtime_s + 600.0,
            above=f"{happened} {{value}} into a session with a runtime of {{runtime_s}}.",
        ),
    )
