"""Charts, built here and drawn on the page by the installed package's own script."""

from __future__ import annotations

import math
import re
from functools import cache
from pathlib import Path
from typing import Any

import plotly

# Okabe and Ito, Color Universal Design (2008): eight colours, distinct to any colour vision.
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#8C7A00")
MARKERS = ("circle", "square", "diamond", "triangle-up", "cross", "x", "star")


def _style(index: int) -> dict[str, Any]:
    return {"color": COLOURS[index % len(COLOURS)], "symbol": MARKERS[index % len(MARKERS)]}


Figure = dict[str, Any]
"""Data and layout in plotly's own schema. Built as plain tables, because building one object for each
trace took most of a page's time; the tests put every figure through plotly's validators."""


def round_step(least: float) -> float:
    """The smallest of 1, 2, 5, 10 … that is not smaller: the step of an axis, or the length of a scale's bar."""
    power = 10.0 ** math.floor(math.log10(least))
    return next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= least * (1 - 1e-9))


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


@cache
def map_style_id() -> str:
    """The id under which the drawing script would add its map styles.

    No page has maps, and the Content-Security-Policy forbids inline styles; an element that
    carries the id already keeps the script from trying. The id differs from version to version.
    """
    script = (Path(plotly.__file__).parent / "package_data" / "plotly.min.js").read_text(encoding="utf-8")
    match = re.search(r'getElementById\("([0-9a-f]{40,})"\)\)\{var \w+=document\.createElement\("style"\)', script)
    return match.group(1) if match else ""
