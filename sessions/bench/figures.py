"""Charts of the bench: failures over the distance ridden, and whether they become rarer."""

from __future__ import annotations

from sessions.bench.machine_bench import Bench
from sessions.drawing.figures import Figure, scatter
from sessions.drawing.over_distance import _shown, cumulative_of, mark_revisions, over_distance

SEVERITY_STYLE = {
    1: ("#D55E00", "x", "I"),
    2: ("#E69F00", "diamond", "II"),
    3: ("#0072B2", "circle", "III"),
    4: ("#56B4E9", "circle-open", "IV"),
}


def timeline(bench: Bench, system: str) -> Figure:
    """Failures by mode, at the distance ridden when they came; revisions marked where they were first ridden."""
    data = []
    for severity, (colour, symbol, numeral) in SEVERITY_STYLE.items():
        # A failure before the first ride has no distance; only the history lists it.
        placed = [
            (failure, bench.exposure.place_m(failure)) for failure in bench.everything if failure.severity == severity
        ]
        rows = [(failure, place_m) for failure, place_m in placed if place_m is not None]
        if rows:
            data.append(
                scatter(
                    x=[_shown(place_m, system) for _, place_m in rows],
                    y=[failure.mode.name for failure, _ in rows],
                    mode="markers",
                    name=f"severity {numeral}",
                    marker={"color": colour, "symbol": symbol, "size": 12},
                    text=[f"{failure.revision.label}, {failure.happened_at:%Y-%m-%d}" for failure, _ in rows],
                    hovertemplate="%{text}<br>%{y}, %{x:.1f}<extra></extra>",
                )
            )
    layout = over_distance("", system)
    mark_revisions(layout, bench.begins, system)
    return {"data": data, "layout": layout}


def bench_figures(bench: Bench, system: str) -> dict[str, Figure]:
    if not bench.everything:
        return {}
    return {
        "failure_timeline": timeline(bench, system),
        "failure_growth": cumulative_of(bench.growth, bench.begins, system),
    }
