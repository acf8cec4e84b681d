"""Pictures of what a ride says beyond its lines over time: power over speed, and two passes over their distance."""

from __future__ import annotations

from typing import Any

import numpy as np

from calc.kinds import KINDS
from calc.quantities import in_shown_unit
from sessions.drawing.line_panels import LinePanels, Panel, PanelLine
from sessions.logs.slices import Overlay


def power_curve(speeds_mps: Any, watts: Any, u_w: Any, *, system: str) -> LinePanels:
    """Power at the ground over speed, between the ends of twice its uncertainty where there is one."""
    speed_unit, unit = (KINDS[kind].shown_in(system).label for kind in ("speed", "power"))
    speeds = in_shown_unit(speeds_mps, "speed", system)
    ends = [] if u_w is None else [("at most", watts + 2 * u_w), ("at least", np.maximum(watts - 2 * u_w, 0.0))]
    lines = [
        PanelLine(name, name, unit, speeds, in_shown_unit(values, "power", system))
        for name, values in (("power", watts), *ends)
    ]
    return LinePanels([Panel(f"Power at the ground, {unit}", lines)], speeds[0], speeds[-1], f"Speed, {speed_unit}")


def overlay(laid: Overlay, system: str) -> LinePanels:
    """Two passes over the distance from the first mark: their speeds, and below how far the second is behind."""
    along_unit, unit = (KINDS[kind].shown_in(system).label for kind in ("distance", "speed"))
    along = in_shown_unit(laid.distance_m, "distance", system)
    names = [f"pass {run.number}" for run in (laid.first, laid.second)]
    speeds = [
        PanelLine(name, name, unit, along, in_shown_unit(values, "speed", system))
        for name, values in zip(names, laid.speeds_mps, strict=True)
    ]
    behind = PanelLine("behind", f"{names[1]} behind", "s", along, laid.behind_s)
    panels = [Panel(f"Speed, {unit}", speeds), Panel(f"{names[1].capitalize()} behind, s", [behind])]
    return LinePanels(panels, along[0], along[-1], f"From the first mark, {along_unit}")
