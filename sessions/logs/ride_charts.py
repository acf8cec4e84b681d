"""Pictures of what a ride says beyond its lines over time: power over speed, and two passes over their distance."""

from __future__ import annotations

from typing import Any

import numpy as np

from calc.kinds import KINDS
from calc.quantities import in_shown_unit
from sessions.drawing.figures import COLOURS, Figure, base_layout, scatter
from sessions.logs.slices import Overlay


def power_curve(speeds_mps: Any, watts: Any, u_w: Any, *, system: str) -> Figure:
    """Power at the ground over speed, with the band of twice its uncertainty where there is one."""
    speeds = np.round(in_shown_unit(speeds_mps, "speed", system), 3).tolist()
    data = []
    if u_w is not None:
        band = np.concatenate([watts + 2 * u_w, np.maximum(watts - 2 * u_w, 0.0)[::-1]])
        data.append(
            scatter(
                x=[*speeds, *speeds[::-1]],
                y=np.round(in_shown_unit(band, "power", system), 1).tolist(),
                mode="lines",
                fill="toself",
                line={"width": 0},
                fillcolor="rgba(0,114,178,0.2)",
                hoverinfo="skip",
            )
        )
    power = np.round(in_shown_unit(watts, "power", system), 1).tolist()
    data.append(scatter(x=speeds, y=power, mode="lines", line={"color": COLOURS[0]}, name="power"))
    layout = base_layout(f"power at the ground, {KINDS['power'].shown_in(system).label}")
    layout["xaxis"] = {"title": {"text": f"speed, {KINDS['speed'].shown_in(system).label}"}, "zeroline": False}
    return {"data": data, "layout": layout}


def overlay(laid: Overlay, system: str) -> Figure:
    """Two passes over the distance from the first mark: their speeds, and below how far the second is behind."""
    distances = np.round(in_shown_unit(laid.distance_m, "distance", system), 2).tolist()
    data = []
    for index, (run, speeds) in enumerate(zip((laid.first, laid.second), laid.speeds_mps, strict=True)):
        data.append(
            scatter(
                x=distances,
                y=np.round(in_shown_unit(speeds, "speed", system), 3).tolist(),
                mode="lines",
                name=f"pass {run.number}",
                line={"color": COLOURS[index], "width": 2},
            )
        )
    behind = np.round(laid.behind_s, 3).tolist()
    data.append(scatter(x=distances, y=behind, mode="lines", name="behind", yaxis="y2", line={"color": COLOURS[2]}))
    layout = base_layout("") | {"height": 420, "hovermode": "x", "showlegend": True}
    layout["legend"] = {"orientation": "h", "y": 1.12}
    unit = KINDS["distance"].shown_in(system).label
    layout["xaxis"] = {"title": {"text": f"{unit} from the first mark"}, "zeroline": False, "anchor": "y2"}
    layout["yaxis"] = {
        "title": {"text": f"speed, {KINDS['speed'].shown_in(system).label}"},
        "domain": [0.42, 1.0],
        "zeroline": False,
        "nticks": 5,
    }
    title = f"pass {laid.second.number} behind, s"
    layout["yaxis2"] = {"title": {"text": title}, "domain": [0.0, 0.36], "zeroline": True, "nticks": 5}
    return {"data": data, "layout": layout}
