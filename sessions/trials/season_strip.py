"""The season of a machine as one strip: where revisions, sessions, failures and fixes stand, and what was measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from buildlog.failures.models import Failure
from calc.quantities import written
from calc.written_limits import written_span
from sessions.drawing.strip import Link, SmallLine, Strip, Tick
from sessions.evidence.season import Season
from sessions.trials.compared_revisions import FIRST_MEASURES, Measure


@dataclass(frozen=True)
class SeasonStrip:
    """axis: what the picture is drawn over, in words."""

    strip: Strip
    ticks: list[Tick]
    links: list[Link]
    lines: list[SmallLine]
    axis: str
    words: str


def season_strip(
    season: Season,
    failures: Sequence[tuple[Failure, float]],
    fixes: Sequence[tuple[Failure, int, str]],
    begins: Sequence[tuple[int, float]],
    system: str,
) -> SeasonStrip | None:
    """Draw it over the distance ridden, or session by session where no distance is known.

    Parameters
    ----------
    failures: with their place in metres ridden in all.
    fixes: failures with the number of the revision that answers them, and the modification's title.
    begins: the number of each ridden revision, and where it was first ridden.
    """
    if not season.count:
        return None
    place = {revision.pk: index for index, revision in enumerate(season.revisions)}
    distance = np.nan_to_num(season.numbers["distance_m"])
    total = float(distance.sum())
    strip = Strip(
        season.ridden_before_m.tolist(),
        total,
        [place[key] for key in season.revision],
        [revision.label for revision in season.revisions],
    )
    at = {failure.pk: metres for failure, metres in failures}
    starts = dict(begins)
    on_axis = not strip.counts_sessions
    links = [
        (at[failure.pk], starts[number], f"{failure.mode.name}: {title} (R{number})")
        for failure, number, title in fixes
        if failure.pk in at and number in starts
    ]
    lines = [_line(strip, season, measure, system) for measure in FIRST_MEASURES]
    axis = f"{written(total, 'trip', system, digits=3)} ridden" if on_axis else f"{season.count} sessions"
    return SeasonStrip(
        strip,
        strip.ticks([(metres, f"{failure.mode.name}, {failure.severity_numeral}") for failure, metres in failures])
        if on_axis
        else [],
        strip.links(links) if on_axis else [],
        [line for line in lines if line is not None],
        axis,
        f"{len(strip.bars)} stretches of revisions, {season.count} sessions, {len(failures)} failures over {axis}",
    )


def _line(strip: Strip, season: Season, measure: Measure, system: str) -> SmallLine | None:
    values = season.values(measure.key)
    known = values[~np.isnan(values)]
    if not known.size:
        return None
    own = values[season.rows_of(season.revisions[strip.newest])]
    own = own[~np.isnan(own)]
    words = written_span(float(known.min()), float(known.max()), measure.kind, system, 3)
    if own.size:
        label = season.revisions[strip.newest].label
        words = f"{label}: {written(float(own.mean()), measure.kind, system, digits=3)} on average; all {words}"
    return strip.small_line(measure.label, values.tolist(), words)
