"""Charts, built here and drawn on the page by the installed package's own script."""

from __future__ import annotations

import math
import re
from functools import cache
from pathlib import Path
from typing import Any

import plotly

from calc.quantities import KINDS
from sessions.comparison import Comparison, MeasureComparison, RateRow, shown

# Okabe and Ito, Color Universal Design (2008): eight colours told apart by all kinds of colour vision.
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#8C7A00")
MARKERS = ("circle", "square", "diamond", "triangle-up", "cross", "x", "star")


def _look(index: int) -> dict[str, Any]:
    return {"color": COLOURS[index % len(COLOURS)], "symbol": MARKERS[index % len(MARKERS)]}


Figure = dict[str, Any]
"""Data and layout in plotly's own schema. Built as plain tables, because building one object for each
trace took most of a page's time; the tests put every figure through plotly's validators."""


def scatter(**settings: Any) -> Figure:
    return {"type": "scatter", **settings}


def base_layout(title: str) -> Figure:
    return {
        "margin": {"l": 56, "r": 12, "t": 12, "b": 40},
        "showlegend": False,
        "font": {"size": 14},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "yaxis": {"title": {"text": title}, "zeroline": False, "nticks": 7},
        "hovermode": "closest",
    }


def _by_revision(title: str, labels: list[str]) -> Figure:
    layout = base_layout(title)
    layout["xaxis"] = {
        "tickmode": "array",
        "tickvals": list(range(len(labels))),
        "ticktext": labels,
        "range": [-0.5, len(labels) - 0.5],
        "zeroline": False,
        "showgrid": False,
    }
    return layout


def _spread_out(count: int) -> list[float]:
    """Fixed side steps, so that dots of one revision do not hide each other."""
    return [round(0.18 * math.sin(2.4 * index), 3) for index in range(count)]


def sessions_by_revision(compared: MeasureComparison, system: str) -> Figure:
    """Every session a dot, the mean of each revision a bar across, its 95 % interval a line."""
    measure = compared.measure
    unit = KINDS[measure.kind].shown_in(system).label
    factor = shown(1.0, measure, system)
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
                marker={**_look(index), "size": 10, "line": {"width": 1, "color": "#ffffff"}},
                text=[point.started_at.date().isoformat() for point in group.points],
                hovertemplate="%{text}<br>%{y:.1f} " + unit + "<extra>" + group.revision.label + "</extra>",
            )
        )
        if group.interval is not None:
            mean = shown(group.interval.mean, measure, system)
            half = shown(group.interval.upper, measure, system) - mean
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
                marker={**_look(index), "size": 12},
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


@cache
def map_style_id() -> str:
    """The id under which the drawing script would add its map styles.

    No page has maps, and the Content-Security-Policy forbids inline styles; an element that
    carries the id already keeps the script from trying. The id differs from version to version.
    """
    script = (Path(plotly.__file__).parent / "package_data" / "plotly.min.js").read_text(encoding="utf-8")
    found = re.search(r'getElementById\("([0-9a-f]{40,})"\)\)\{var \w+=document\.createElement\("style"\)', script)
    return found.group(1) if found else ""
