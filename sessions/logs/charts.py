"""A session's logs as aligned panels over one clock, thinned so that every peak survives, and the track from above."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from buildlog.failures.models import Failure
from calc.geodesy import local_metres
from calc.kinds import KINDS
from calc.quantities import in_shown_unit
from calc.thinning import rows_with_extremes
from sessions.drawing.figures import COLOURS, Figure, base_layout, scatter
from sessions.logs.channels import known_rows, samples_of
from sessions.logs.extremes import SAMPLES
from sessions.logs.formula_lines import extremes_of
from sessions.logs.series import positions
from sessions.logs.timeline import Timeline, Trace
from sessions.outings.models import Gate, Pass, Reading

STRETCHES = 500
"""Each line has at most two points for every pixel of a phone held sideways."""
FEWEST_STRETCHES = 150

MOST_ROWS_READ = 2 * STRETCHES * SAMPLES
"""For a stretch with more rows than this, each part of the line spans at least two of the prepared extremes."""

TRACK_POINTS = 2000
GAP_BETWEEN_PANELS = 0.025
PANELS = (
    ("Speed", "speed"),
    ("Voltage", "voltage"),
    ("Cells", "voltage"),
    ("Current", "current"),
    ("Throttle", "fraction"),
    ("Power", "power"),
    ("Temperature", "temperature"),
    ("Charge", "charge"),
    ("Energy", "energy"),
    ("Altitude", "distance"),
)
MOST_OTHER_PANELS = 6
"""Values without a meaning here are drawn by their units; what is left when there are more shares the last panel."""


@dataclass(frozen=True)
class Line:
    """One line of one panel."""

    panel: str
    trace: Trace
    unit: str | None = None
    """The unit of a value that has no meaning here, as its file has it."""

    def unit_in(self, system: str) -> str:
        return KINDS[self.trace.kind].shown_in(system).label if self.unit is None else self.unit


def lines_of(timeline: Timeline) -> list[Line]:
    """Every line of the panels, in a fixed order: pages ask for stretches of them by their places in it."""
    lines = [Line("Speed", trace) for trace in timeline.speeds]
    lines += [Line("Voltage", trace) for trace in timeline.every("voltage_v", "voltage", "voltage")]
    lines += [Line("Cells", trace) for trace in timeline.cells()]
    lines += [Line("Current", trace) for trace in timeline.every("current_a", "current", "current")]
    lines += [Line("Current", trace) for trace in timeline.every("motor_current_a", "motor current", "current")]
    lines += [Line("Throttle", trace) for trace in timeline.every("throttle_share", "throttle", "fraction")]
    lines += [Line("Power", trace) for trace in timeline.powers]
    for name in ("battery", "motor", "controller"):
        traces = timeline.every(f"{name}_temperature_c", name, "temperature")
        lines += [Line("Temperature", trace) for trace in traces]
    for panel, kind, out, back in (
        ("Charge", "charge", "charge_out_ah", "charge_in_ah"),
        ("Energy", "energy", "energy_out_wh", "energy_in_wh"),
    ):
        for name, label in ((out, "taken out"), (back, "put back")):
            lines += [Line(panel, trace) for trace in timeline.every(name, label, kind)]
    lines += [Line("Altitude", trace) for trace in timeline.every("altitude_m", "altitude", "distance")]
    lines += _other_lines(timeline)
    known = {name for name, _ in PANELS}
    for name, unit, trace in timeline.formulas():
        lines.append(Line(f"{name} by formula" if name in known else name, trace, unit))
    return lines


def _other_lines(timeline: Timeline) -> list[Line]:
    """Values without a meaning here: those of one unit in one panel, a value without a unit in one of its own."""
    panels: dict[str, str] = {}
    lines = []
    for unit, trace in timeline.others():
        key = unit or trace.label
        if key not in panels:
            panels[key] = key if len(panels) < MOST_OTHER_PANELS - 1 else "Other values"
        lines.append(Line(panels[key], trace, unit))
    return lines


def points_of(
    lines: list[Line],
    system: str,
    from_s: float = -math.inf,
    to_s: float = math.inf,
    stretches: int = STRETCHES,
) -> list[dict[str, list[Any]]]:
    """The lines between two moments, thinned. Long stretches come from the extremes that were made ready on import,
    short ones from the rows; of these only the columns that the lines need are read, once for all lines of a log."""
    rows: dict[Any, dict[str, Any]] = {}
    points = []
    for line in lines:
        trace = line.trace
        begins_s = trace.log.begins_s
        times, values = _samples(trace, lines, from_s - begins_s, to_s - begins_s, rows)
        times = times + begins_s
        # One sample beyond each end, so that the line reaches the edges.
        first = max(int(np.searchsorted(times, from_s)) - 1, 0)
        last = min(int(np.searchsorted(times, to_s)) + 1, times.size)
        times, values = times[first:last], values[first:last] * trace.factor
        shown = rows_with_extremes(values, stretches)
        in_unit = values[shown] if line.unit is not None else in_shown_unit(values[shown], trace.kind, system)
        points.append({"x": np.round(times[shown], 3).tolist(), "y": np.round(in_unit, 3).tolist()})
    return points


def _samples(
    trace: Trace, lines: list[Line], from_s: float, to_s: float, rows: dict[Any, dict[str, Any]]
) -> tuple[Any, Any]:
    """Samples of a line for a stretch of its log's own time, with some more at both ends."""
    columns = trace.columns
    prepared = None
    if columns.rows_between(from_s, to_s) > MOST_ROWS_READ:
        prepared = columns.extremes(trace.channel)
        if prepared is None and trace.is_formula:
            prepared = extremes_of(trace.log, trace.channel, columns)
    if prepared is not None:
        extremes, (first, last) = prepared
        times, values = (extremes[:, kept].ravel() for kept in ([0, 2], [1, 3]))
        # A stretch with one extreme only, such as a straight line's, has it twice.
        keep = np.diff(times, prepend=-np.inf) > 0
        times, values = times[keep], values[keep]
        ends = np.array([first, last]).T
        before, after = ends[0][0] < times[0], ends[0][1] > times[-1]
        return (
            np.concatenate([ends[0][:1][[before]], times, ends[0][1:][[after]]]),
            np.concatenate([ends[1][:1][[before]], values, ends[1][1:][[after]]]),
        )
    log = trace.log.pk
    if log not in rows:
        needed = {name for line in lines if line.trace.log.pk == log for name in line.trace.channel.needs}
        rows[log] = columns.between(["time_s", *sorted(needed)], from_s, to_s)
    return samples_of(trace.channel, known_rows(trace.channel, rows[log]))


def panels(
    timeline: Timeline,
    lines: list[Line],
    system: str,
    passes: Iterable[Pass],
    failures: Iterable[Failure],
    readings: Iterable[Reading],
) -> Figure:
    """The panels one over the other, with one cursor through all of them; passes and failures marked."""
    known = {name: KINDS[kind].shown_in(system).label for name, kind in PANELS}
    drawn = dict.fromkeys(line.panel for line in lines)
    used_panels = {name: unit for name, unit in known.items() if name in drawn}
    used_panels |= {line.panel: _unit_of_panel(line) for line in lines if line.panel not in known}
    places = {name: index for index, name in enumerate(used_panels)}
    data = []
    for index, (line, points) in enumerate(zip(lines, points_of(lines, system), strict=True)):
        unit = line.unit_in(system)
        data.append(
            scatter(
                **points,
                mode="lines",
                name=line.trace.title,
                connectgaps=False,
                yaxis=_axis(places[line.panel]),
                line={"color": COLOURS[index % len(COLOURS)], "width": 1.6},
                hovertemplate=f"%{{y:.4g}} {unit}<extra>{line.trace.label}</extra>",
            )
        )
    data += _readings(readings, places, system)
    layout = _layout(used_panels, timeline)
    layout["shapes"], layout["annotations"] = _marks(passes, failures)
    return {"data": data, "layout": layout}


def _unit_of_panel(line: Line) -> str:
    """Of a panel with one formula its unit; panels of a file's own values are called by theirs."""
    return line.unit or "" if line.trace.is_formula else ""


def _axis(place: int) -> str:
    return "y" if place == 0 else f"y{place + 1}"


def _layout(used_panels: dict[str, str], timeline: Timeline) -> dict[str, Any]:
    count = max(len(used_panels), 1)
    height = (1.0 - GAP_BETWEEN_PANELS * (count - 1)) / count
    start_s, end_s = timeline.span_s
    layout = base_layout("") | {
        # Room above for the words of passes and failures.
        "margin": {"l": 56, "r": 12, "t": 24, "b": 40},
        "height": 60 + 170 * count,
        "hovermode": "x",
        "hoversubplots": "axis",
        "dragmode": "pan",
        "xaxis": {
            "title": {"text": "s into the session"},
            "hoverformat": ".2f",
            "nticks": 5,
            # Else every label is measured, which takes a phone longer than to draw it.
            "ticklabeloverflow": "allow",
            "range": [start_s, end_s],
            "anchor": _axis(count - 1),
            "showspikes": True,
            "spikemode": "across",
            "spikesnap": "cursor",
            "spikethickness": 1,
            "zeroline": False,
        },
    }
    for place, (name, unit) in enumerate(used_panels.items()):
        top = 1.0 - place * (height + GAP_BETWEEN_PANELS)
        axis = {
            "title": {"text": f"{name}, {unit}" if unit else name},
            "domain": [max(top - height, 0.0), top],
            "zeroline": False,
            "nticks": 5,
            "ticklabeloverflow": "allow",
            "fixedrange": True,
        }
        layout["yaxis" if place == 0 else f"yaxis{place + 1}"] = axis
    return layout


def _readings(readings: Iterable[Reading], places: dict[str, int], system: str) -> list[Figure]:
    """Readings of the instruments, as dots beside the lines of the logs."""
    traces = []
    rows = list(readings)
    for panel, kind, column in (("Voltage", "voltage", "voltage_v"), ("Current", "current", "current_a")):
        points = [
            (reading.time_into_session_s, getattr(reading, column))
            for reading in rows
            if getattr(reading, column) is not None
        ]
        if panel in places and points:
            traces.append(
                scatter(
                    x=[time_s for time_s, _ in points],
                    y=[in_shown_unit(value, kind, system) for _, value in points],
                    mode="markers",
                    name="readings",
                    yaxis=_axis(places[panel]),
                    marker={"symbol": "circle-open", "size": 9, "color": COLOURS[1]},
                    hovertemplate="%{y:.4g}<extra>reading</extra>",
                )
            )
    return traces


def _marks(passes: Iterable[Pass], failures: Iterable[Failure]) -> tuple[list[Any], list[Any]]:
    shapes, words = [], []
    for run in passes:
        if run.time_into_session_s is None:
            continue
        start = run.time_into_session_s
        shapes.append(
            {
                "type": "rect",
                "xref": "x",
                "yref": "paper",
                "x0": start,
                "x1": start + run.duration_s,
                "y0": 0,
                "y1": 1,
                "fillcolor": COLOURS[2],
                "opacity": 0.22,
                "line": {"width": 0},
                "name": f"pass {run.number}",
            }
        )
        words.append(_word(start, f"pass {run.number}"))
    for failure in failures:
        if failure.time_into_session_s is None:
            continue
        at = failure.time_into_session_s
        look = {"color": COLOURS[1], "width": 2, "dash": "dot"}
        shapes.append(
            {
                "type": "line",
                "xref": "x",
                "yref": "paper",
                "x0": at,
                "x1": at,
                "y0": 0,
                "y1": 1,
                "line": look,
                "name": failure.mode.name,
            }
        )
        words.append(_word(at, failure.mode.name))
    return shapes, words


def _word(at_s: float, text: str) -> dict[str, Any]:
    return {
        "x": at_s,
        "y": 1,
        "xref": "x",
        "yref": "paper",
        "text": text,
        "showarrow": False,
        "yanchor": "bottom",
        "xanchor": "left",
        "font": {"size": 12},
    }


def track(timeline: Timeline, gates: Iterable[Gate]) -> Figure | None:
    """Every track in metres from the first point, from above, with the gates whose marks have coordinates."""
    tracks = []
    for log in timeline.logs:
        columns = positions(timeline.columns.get(log.pk) or {})
        if columns is not None and columns["lat_deg"].size:
            clock = columns["time_s"] + log.begins_s if "time_s" in columns else np.zeros(columns["lat_deg"].size)
            tracks.append((log, columns["lat_deg"], columns["lon_deg"], clock))
    if not tracks:
        return None
    _, first_lat, first_lon, _ = tracks[0]
    data = []
    for index, (log, latitudes, longitudes, clock) in enumerate(tracks):
        east, north = _metres(latitudes, longitudes, first_lat[0], first_lon[0])
        step = max(1, -(-latitudes.size // TRACK_POINTS))
        data.append(
            scatter(
                x=np.round(east[::step], 1).tolist(),
                y=np.round(north[::step], 1).tolist(),
                mode="lines",
                name=log.name,
                line={"color": COLOURS[index % len(COLOURS)]},
                hoverinfo="skip",
                customdata=np.round(clock[::step], 3).tolist(),
            )
        )
    for gate in gates:
        marks = [mark for mark in gate.marks.all() if mark.latitude_deg is not None]
        if marks:
            east, north = _metres(
                np.array([mark.latitude_deg for mark in marks]),
                np.array([mark.longitude_deg for mark in marks]),
                first_lat[0],
                first_lon[0],
            )
            data.append(
                scatter(
                    x=np.round(east, 1).tolist(),
                    y=np.round(north, 1).tolist(),
                    mode="markers+text",
                    name=gate.name,
                    text=[f"{gate.name} {number + 1}" for number in range(len(marks))],
                    textposition="top center",
                    marker={"symbol": "diamond", "size": 11, "color": COLOURS[3]},
                    hoverinfo="text",
                )
            )
    layout = base_layout("north, m")
    layout["xaxis"] = {"title": {"text": "east, m"}, "zeroline": False}
    layout["yaxis"] |= {"scaleanchor": "x"}
    return {"data": data, "layout": layout}


def _metres(latitudes: Any, longitudes: Any, lat_deg: float, lon_deg: float) -> tuple[Any, Any]:
    """Metres east and north of one point, also where the track begins elsewhere."""
    places = local_metres(np.append(lat_deg, latitudes), np.append(lon_deg, longitudes))
    return places.east_m[1:], places.north_m[1:]
