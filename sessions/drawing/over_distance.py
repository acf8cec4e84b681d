"""Pictures over the distance that a machine was ridden."""

from __future__ import annotations

from buildlog.failures.growth import Growth
from calc.kinds import KINDS
from calc.quantities import in_shown_unit
from sessions.drawing.figures import COLOURS, Figure, base_layout, scatter


def _shown(metres: float, system: str) -> float:
    return float(in_shown_unit(metres, "trip", system))


def over_distance(title: str, system: str) -> Figure:
    """The layout of everything that is drawn over the distance ridden."""
    layout = base_layout(title)
    layout["margin"] = {"l": 12, "r": 12, "t": 28, "b": 44}
    layout["showlegend"] = True
    unit = KINDS["trip"].shown_in(system).label
    layout["xaxis"] = {"title": {"text": f"ridden in all, {unit}"}, "zeroline": False, "rangemode": "tozero"}
    layout["yaxis"] = {"title": {"text": title}, "automargin": True, "zeroline": False}
    layout["legend"] = {"orientation": "h", "y": 1.02, "yanchor": "bottom"}
    return layout


def mark_revisions(
    layout: Figure, begins: list[tuple[int, float]], system: str, changes: dict[int, str] | None = None
) -> None:
    """A dotted line where each revision was first ridden; a tooltip on its name lists its modifications."""
    layout["shapes"], layout["annotations"] = [], []
    for number, begins_m in begins:
        place = _shown(begins_m, system)
        dotted = {"width": 1, "dash": "dot", "color": "#7c8d9b"}
        layout["shapes"].append(
            {"type": "line", "x0": place, "x1": place, "y0": 0, "y1": 1, "yref": "paper", "line": dotted}
        )
        corner = {"yref": "paper", "y": 1, "xanchor": "left", "yanchor": "top"}
        name = {"x": place, "text": f"R{number}", "showarrow": False, **corner}
        hover_text = (changes or {}).get(number, "")
        layout["annotations"].append({**name, "hovertext": hover_text} if hover_text else name)


def cumulative_of(growth: Growth, begins: list[tuple[int, float]], system: str) -> Figure:
    """Failures counted up over the distance ridden, with the fitted growth curve where there is one."""
    places = [_shown(1000 * place, system) for place in growth.places_km]
    total = _shown(1000 * growth.total_km, system)
    data = [
        scatter(
            x=[0, *places, total],
            y=[0, *range(1, len(places) + 1), len(places)],
            mode="lines+markers",
            line={"shape": "hv", "color": COLOURS[0]},
            name="counted",
            hovertemplate="%{y} by %{x:.1f}<extra></extra>",
        )
    ]
    if growth.fit is not None:
        steps = [growth.total_km * index / 60 for index in range(61)]
        data.append(
            scatter(
                x=[_shown(1000 * step, system) for step in steps],
                y=[growth.fit.scale * step**growth.fit.shape for step in steps],
                mode="lines",
                line={"dash": "dash", "color": COLOURS[1]},
                name="power law",
                hoverinfo="skip",
            )
        )
    layout = over_distance("failures so far", system)
    step = max(1, len(begins) // 12)
    mark_revisions(layout, begins[::step], system)
    return {"data": data, "layout": layout}
