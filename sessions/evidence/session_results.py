"""The results of one session as its page shows them."""

from __future__ import annotations

import uuid
from dataclasses import dataclass

from calc.declaration import Measured
from calc.session_sheet import Result, SessionReport
from sessions.evidence.reader import Evidence
from sessions.outings.models import Pass, Session


@dataclass(frozen=True)
class PassRow:
    """A pass with the uncertainty of its time and its speed, for the page."""

    run: Pass
    u_duration_s: float | None
    speed: Measured | None
    """None where the gate has no length."""


GROUPS = (
    ("Speed", ("average_gate_speed", "best_gate_speed", "two_way_mean_speed", "peak_speed", "average_speed")),
    ("Energy", ("energy_used", "energy_per_distance", "charge_used", "mean_power", "peak_power")),
    ("Range", ("range", "energy_left", "remaining_range", "turn_back_distance", "runtime_left")),
    ("Rider and tipping", ("wind_chill", "static_stability_factor", "tip_over_threshold")),
)


@dataclass(frozen=True)
class ResultGroup:
    title: str
    cautions: list[str]
    results: list[Result]


def grouped(report: SessionReport) -> list[ResultGroup]:
    """Results under headings; a caution that several numbers share is shown once for all of them."""
    by_key = {result.key: result for result in report.results}
    named = [(title, [by_key.pop(key) for key in keys if key in by_key]) for title, keys in GROUPS]
    named.append(("Battery and limits", list(by_key.values())))
    return [
        ResultGroup(title, list(dict.fromkeys(r.caution for r in results if r.caution)), results)
        for title, results in named
        if results
    ]


def pass_rows(session: Session, evidence: Evidence) -> list[PassRow]:
    """The passes of one session with their uncertainty and speed, also those that do not count."""
    passes = evidence.all_passes
    speed, u_duration_s = passes.speed, passes.columns["u_duration_s"]
    place = {uuid.UUID(text): index for index, text in enumerate(passes.text)}
    rows = []
    for run in session.passes.all():
        index = place.get(run.pk)
        if index is None:
            rows.append(PassRow(run, None, None))
        else:
            measured = Measured(float(speed.value[index]), float(speed.u[index]))
            rows.append(PassRow(run, float(u_duration_s[index]), measured))
    return rows
