"""Pictures of compared revisions."""

from __future__ import annotations

from calc.kinds import KINDS
from sessions.drawing.figures import COLOURS, Figure, _by_revision, _spread_out, _style, scatter
from sessions.trials.compared_revisions import Comparison, MeasureComparison, RateRow, in_measure_unit


def sessions_by_revision(compared: MeasureComparison, system: str) -> Figure:
    """Every session a dot, the mean of each revision a bar across, its 95 % interval a line."""
    measure = compared.measure
    unit = KINDS[measure.kind].shown_in(system).label
    factor = in_measure_unit(1.0, measure, system)
    data = []
    for index, group in enumerate(compared.groups):
        if not group.points:
            continue
        data.append(
            scatter(
                x=[index + step for step in _spread_out(len(group.points))],
                y=[round(value * factor, 6) for value in group.values],
                mode="markers",
                name=group.revision.label,
                marker={**_style(index), "size": 10, "line": {"width": 1, "color": "#ffffff"}},
                text=[point.started_at.date().isoformat() for point in group.points],
                hovertemplate="%{text}<br>%{y:.1f} " + unit + "<extra>" + group.revision.label + "</extra>",
            )
        )
        if group.interval is not None:
            mean = in_measure_unit(group.interval.mean, measure, system)
            half = in_measure_unit(group.interval.upper, measure, system) - mean
            data.append(
                scatter(
                    x=[index + 0.32],
                    y=[mean],
                    mode="markers",
                    name=f"{group.revision.label} mean",
                    marker={"color": COLOURS[index % len(COLOURS)], "symbol": "line-ew-open", "size": 18},
                    error_y={"type": "data", "array": [half], "thickness": 2.5, "width": 8},
                    hovertemplate="mean %{y:.1f} " + unit + "<extra>" + group.revision.label + "</extra>",
                )
            )
    labels = [f"{group.revision.label}<br>{len(group.points)} sess." for group in compared.groups]
    return {"data": data, "layout": _by_revision(f"{measure.label}, {unit}", labels)}


def failure_rates(rates: list[RateRow]) -> Figure:
    """Failures per 100 km of each revision, with 95 % limits."""
    data = []
    for index, row in enumerate(rates):
        if row.interval is None:
            continue
        rate = row.interval.estimate
        data.append(
            scatter(
                x=[index],
                y=[rate],
                mode="markers",
                name=row.revision.label,
                marker={**_style(index), "size": 12},
                error_y={
                    "type": "data",
                    "symmetric": False,
                    "array": [row.interval.upper - rate],
                    "arrayminus": [rate - row.interval.lower],
                    "thickness": 2.5,
                    "width": 8,
                },
                hovertemplate="%{y:.2f} per 100 km<extra>" + row.revision.label + "</extra>",
            )
        )
    layout = _by_revision("Failures per 100 km", [f"{row.revision.label}<br>{row.failures} fail." for row in rates])
    layout["yaxis"]["rangemode"] = "tozero"
    return {"data": data, "layout": layout}


def page_figures(compared: Comparison, system: str) -> dict[str, Figure]:
    """All figures of the compare page, by the id of their place on the page."""
    figures = {row.measure.key: sessions_by_revision(row, system) for row in compared.measures}
    figures["failure_rate"] = failure_rates(compared.rates)
    return figures
