"""Charts of a season: each measure over the distance ridden, and energy per km against speed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from buildlog.failures.models import Failure
from buildlog.machines.models import Revision
from calc.kinds import KINDS
from calc.least_squares import fit_powers
from calc.quantities import in_shown_unit
from sessions.drawing.figures import COLOURS, MARKERS, Figure, base_layout, scatter
from sessions.drawing.over_distance import mark_revisions, over_distance
from sessions.evidence.season import Season
from sessions.trials.compared_revisions import FIRST_MEASURES, Measure

LEAST_FOR_CURVE = 4
LEAST_SPEED_RATIO = 1.5
"""Over a narrower span of speeds the two parts of a curve trade off against each other (common practice, no source)."""


@dataclass(frozen=True)
class LoadCurve:
    """Energy per km of one revision over speed: a constant part, and one that grows with its square."""

    revision: Revision
    sessions: int
    constant_wh_per_km: float
    square_wh_per_km: float
    slowest_mps: float
    fastest_mps: float

    @property
    def more_at_10_mps_wh_per_km(self) -> float:
        return 100.0 * self.square_wh_per_km


def _marker(index: int) -> dict[str, object]:
    return {"color": COLOURS[index % len(COLOURS)], "symbol": MARKERS[index % len(MARKERS)], "size": 8}


def progress(
    season: Season, measure: Measure, failures: list[tuple[Failure, float]], system: str, changes: dict[int, str]
) -> Figure:
    """A measure of every session over the distance ridden; revisions marked, failures along the bottom."""
    values = season.values(measure.key)
    unit = KINDS[measure.kind].shown_in(system).label
    per_unit, per_km = in_shown_unit(1.0, measure.kind, system), in_shown_unit(1.0, "trip", system)
    data = []
    for index, revision in enumerate(season.revisions):
        rows = season.rows_of(revision)
        rows = rows[~np.isnan(values[rows])] if rows.size else rows
        if rows.size:
            data.append(
                scatter(
                    x=np.round(season.ridden_before_m[rows] * per_km, 3).tolist(),
                    y=np.round(values[rows] * per_unit, 4).tolist(),
                    mode="markers",
                    name=revision.label,
                    marker=_marker(index),
                    hovertemplate=f"{revision.label}<br>%{{y:.1f}} {unit} at %{{x:.0f}}<extra></extra>",
                )
            )
    if data and failures:
        foot = min(min(trace["y"]) for trace in data)
        data.append(
            scatter(
                x=[round(place * per_km, 3) for _, place in failures],
                y=[foot] * len(failures),
                mode="markers",
                name="failures",
                marker={"color": "#d1383d", "symbol": "x-thin-open", "size": 10},
                text=[f"{failure.mode.name}, {failure.severity_numeral}" for failure, _ in failures],
                hovertemplate="%{text}<extra></extra>",
            )
        )
    layout = over_distance(f"{measure.label}, {unit}", system)
    mark_revisions(layout, _begins(season), system, changes)
    return {"data": data, "layout": layout}


def _begins(season: Season) -> list[tuple[int, float]]:
    """Where each revision was first ridden; many revisions are thinned out, so that their names stay apart."""
    first = [
        (revision.number, float(season.ridden_before_m[rows[0]]))
        for revision in season.revisions
        if (rows := season.rows_of(revision)).size
    ]
    step = max(1, len(first) // 12)
    return first[::step]


def load_curves(season: Season) -> list[LoadCurve]:
    """Where a revision was ridden at clearly different mean speeds, the curve through its sessions.

    Rolling and air both cost energy, so a curve with a negative part is not physical: then only the
    points are drawn.
    """
    speed, per_km = season.values("average_speed"), season.values("energy_per_distance")
    curves = []
    for revision in season.revisions:
        rows = season.rows_of(revision)
        rows = rows[~np.isnan(speed[rows] + per_km[rows])] if rows.size else rows
        if rows.size < LEAST_FOR_CURVE:
            continue
        slowest, fastest = float(speed[rows].min()), float(speed[rows].max())
        if fastest < LEAST_SPEED_RATIO * slowest:
            continue
        try:
            fit = fit_powers(speed[rows], per_km[rows], (0, 2), "speed")
        except ValueError:
            continue
        constant, square = (float(value) for value in fit.coefficients)
        if constant > 0 and square > 0:
            curves.append(LoadCurve(revision, int(rows.size), constant, square, slowest, fastest))
    return curves


def energy_over_speed(season: Season, curves: list[LoadCurve], system: str) -> Figure:
    """Every session's energy per km at its mean speed, with each revision's curve where there is one."""
    speed, per_km = season.values("average_speed"), season.values("energy_per_distance")
    per_speed, per_use = in_shown_unit(1.0, "speed", system), in_shown_unit(1.0, "consumption", system)
    by_key = {curve.revision.pk: curve for curve in curves}
    data = []
    for index, revision in enumerate(season.revisions):
        rows = season.rows_of(revision)
        rows = rows[~np.isnan(speed[rows] + per_km[rows])] if rows.size else rows
        if not rows.size:
            continue
        data.append(
            scatter(
                x=np.round(speed[rows] * per_speed, 3).tolist(),
                y=np.round(per_km[rows] * per_use, 3).tolist(),
                mode="markers",
                name=revision.label,
                marker=_marker(index),
                hovertemplate=f"{revision.label}<br>%{{y:.1f}} at %{{x:.1f}}<extra></extra>",
            )
        )
        curve = by_key.get(revision.pk)
        if curve is not None:
            steps = np.linspace(curve.slowest_mps, curve.fastest_mps, 20)
            along = curve.constant_wh_per_km + curve.square_wh_per_km * steps**2
            data.append(
                scatter(
                    x=np.round(steps * per_speed, 3).tolist(),
                    y=np.round(along * per_use, 3).tolist(),
                    mode="lines",
                    name=f"{revision.label} curve",
                    line={"color": COLOURS[index % len(COLOURS)], "width": 2},
                    hoverinfo="skip",
                    showlegend=False,
                )
            )
    layout = base_layout(f"Energy, {KINDS['consumption'].shown_in(system).label}")
    layout["showlegend"] = True
    layout["legend"] = {"orientation": "h", "y": 1.02, "yanchor": "bottom"}
    layout["margin"] = {"l": 56, "r": 12, "t": 28, "b": 44}
    unit = KINDS["speed"].shown_in(system).label
    layout["xaxis"] = {"title": {"text": f"mean speed of the ride, {unit}"}, "zeroline": False}
    return {"data": data, "layout": layout}


def season_figures(
    season: Season,
    failures: list[tuple[Failure, float]],
    curves: list[LoadCurve],
    system: str,
    changes: dict[int, str] | None = None,
) -> dict[str, Figure]:
    """All figures of a season. `changes` has the modifications of each revision in words, by its number."""
    figures = {
        f"progress_{measure.key}": progress(season, measure, failures, system, changes or {})
        for measure in FIRST_MEASURES
    }
    figures["energy_over_speed"] = energy_over_speed(season, curves, system)
    return {key: figure for key, figure in figures.items() if figure["data"]}
