"""Every component of the pages in each of its states, on one page, for whoever changes how they look.

It is there only while BUILDLOG_DEBUG is on. What it shows is made up.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from buildlog.machines.one_line import OneLine, Symbol
from buildlog.quantities.fields import QuantityFormField
from calc.alarms import Alarm
from calc.results import Result
from sessions.drawing.figures import Figure, base_layout, scatter
from sessions.drawing.interval_rows import Axis, Interval
from sessions.drawing.line_panels import LinePanels, Panel, PanelLine, PanelMark
from sessions.drawing.machine_views import Dot, Foot, Line
from sessions.drawing.pass_dots import Run, pass_dots
from sessions.drawing.season_line import SeasonLine
from sessions.drawing.strip import Strip
from sessions.drawing.value_lines import value_line
from sessions.evidence.headline import limit_bars
from sessions.logs.first_picture import first_picture

BADGES = ("planned", "open", "recurred", "over", "near", "watching", "fix_fitted", "held", "riding")
_NEAR = Alarm("near", "Near the limit of the controller.", "The pack had 70.9 V, within 2 % of 72 V.")
_OVER = Alarm("over", "Over the limit of the motor.", "The pack had 86.2 V; the limit of the motor is 84 V.")


class SpecimenForm(forms.Form):
    """One field of each sort, with an error where it is sent empty."""

    name = forms.CharField(help_text="As people write it.")
    speed = QuantityFormField(kind="speed", low=0.0, high=60.0, includes_low=True, label="Speed")
    height = QuantityFormField(kind="length", low=-20.0, high=20.0, includes_low=True, label="Height, with a sign")
    runtime = QuantityFormField(kind="runtime", low=0.0, high=1e6, includes_low=True, label="Runtime", required=False)
    surface = forms.ChoiceField(choices=[("", "not noted"), ("clear_ice", "Clear ice")], required=False)
    way = forms.ChoiceField(choices=[("out", "Out"), ("back", "Back")], widget=forms.RadioSelect, required=False)
    notes = forms.CharField(widget=forms.Textarea, required=False)
    valid = forms.BooleanField(required=False, label="It counts")


@require_safe
def specimen(request: HttpRequest) -> HttpResponse:
    empty, sent = SpecimenForm(), SpecimenForm({"speed": "12 V"})
    for form in (empty, sent):
        for field in form.fields.values():
            if isinstance(field, QuantityFormField):
                field.use_system("metric")
    context: dict[str, Any] = {
        "form": empty,
        "sent": sent,
        "badges": BADGES,
        "levels": ("success", "info", "warning", "error"),
        "bars": limit_bars([
            Result("controller_voltage_margin", 1.1, limit=72.0, reached=70.9, alarm=_NEAR),
            Result("motor_voltage_margin", 13.2, limit=84.0, reached=70.8),
            Result("pack_current_margin", 40.0, limit=120.0, reached=80.0),
        ]),
        "alarms": [_OVER, _NEAR],
        "plate": Result("full_voltage", 58.8, u=0.4, method="Modules in series and parallel.", doubt="Typed as 588 V."),
        "line": value_line(17.4, 0.3, [15.0, 15.6, 16.1, 17.0, 18.2]),
        "dots": pass_dots([Run(17.6, 0.4, True, "63.4"), Run(17.1, 0.5, False, "61.6")], 17.3),
        "season_line": SeasonLine.of(205.0, [20.0, 64.0], [(80.0, 205.0)]),
        "figures": {"chart": _chart(), "track": _track()},
        "ride": first_picture(_ride()),
        **_strip(),
        **_answers(),
        "views": _views(),
        "drawing": OneLine([Symbol("battery_module", 40.0, "Module", "58.8 V"), Symbol("fuse", 102.0, "Fuse", "125 A"),
                            Symbol("motor", 164.0, "Motor", "4 kW")], 200.0, 20.0),
    }  # fmt: skip
    return render(request, "hosting/specimen.html", context)


def _chart() -> Figure:
    layout = base_layout("Energy per km, Wh/km")
    layout["xaxis"] = {"title": {"text": "mean speed, km/h"}}
    layout["annotations"] = [{"x": 42.0, "text": "R2"}]
    bars = {"array": [1.0, 2.0, 1.5]}
    speeds, uses = [40.0, 42.0, 47.0], [38.0, 39.5, 43.0]
    return {
        "data": [
            scatter(x=speeds, y=uses, mode="markers", name="R1"),
            scatter(x=speeds, y=[use - 2.0 for use in uses], mode="markers", name="R2", error_y=bars),
            scatter(x=speeds, y=uses, mode="lines", name="R1"),
            scatter(x=speeds, y=[use - 2.0 for use in uses], mode="lines", name="R2"),
            scatter(x=speeds, y=[37.0, 40.0, 44.0], mode="lines", name="fit", line={"dash": "dash"}),
        ],
        "layout": layout,
    }


def _ride() -> LinePanels:
    lines = [PanelLine(name, name, "V", [0.0, 45.0, 90.0], [57.2, last, 51.0])
             for name, last in (("logger", 53.0), ("meter", 54.0))]  # fmt: skip
    marks = [PanelMark(10.0, 16.0, "pass 1"), PanelMark(60.0, 60.0, "chain came off")]
    return LinePanels([Panel("Voltage, V", lines)], 0.0, 90.0, "Seconds into the session", marks)


def _track() -> Figure:
    course = scatter(x=[0.0, 200.0, 420.0], y=[0.0, 60.0, 20.0], mode="lines", name="track")
    mark = scatter(x=[200.0], y=[60.0], mode="markers+text", name="gate", text=["Straight 1"])
    return {"data": [course, mark], "layout": base_layout("north, m")}


def _strip() -> dict[str, Any]:
    strip = Strip([0.0, 9.0, 20.0, 31.0, 40.0], 50.0, [0, 0, 1, 1, 2], ["R1", "R2", "R3"])
    picture = SimpleNamespace(
        strip=strip, words="Three revisions", axis="50 km ridden", ticks=strip.ticks([(9.0, "chain came off, III")]),
        links=strip.links([(9.0, 20.0, "chain came off: tensioner (R2)")]),
        lines=[strip.small_line("Gate speed", [50.0, 51.0, 52.0, 50.0, 56.0], "R3: 56 km/h; all 50 to 56 km/h")],
    )  # fmt: skip
    crowded = Strip([float(place) for place in range(400)], 400.0, [0] * 399 + [1], ["R1", "R2"])
    many = [50.0 + place % 7 for place in range(400)]
    extents = SimpleNamespace(
        strip=crowded, words="Many sessions", axis="400 km ridden", ticks=[], links=[],
        lines=[crowded.small_line("Gate speed", many, "50 to 56 km/h")],
    )  # fmt: skip
    return {"strip": picture, "extents": extents}


def _answers() -> dict[str, Any]:
    intervals = [Interval(0.05, 0.02, 0.08, 0.03), Interval(-0.2, -0.9, 0.7, 0.03)]
    axis = Axis(intervals)
    words = ("higher", "not yet known")
    rows = [
        SimpleNamespace(
            pair="R6 against R5", label="Gate speed", word=word, figures="+5 %, from +2 to +8 %", asked_by=[],
            picture=axis.row(interval), sentence="It takes about 3 more days.", counts="4 days against 4",
            adjusted_for="air temperature", cautions=("Colder than before.",), left_out=[], is_decided=place == 0,
            decided_on=None, trial=None, kept="", may_open=False, plain="",
        )
        for place, (word, interval) in enumerate(zip(words, intervals, strict=True))
    ]  # fmt: skip
    return {"answers": SimpleNamespace(axis=axis, rows=rows)}


def _views() -> Any:
    side = SimpleNamespace(
        height=160, ground=140.0, parts=[Dot(120.0, 110.0, 24.0, "Module")], rider=Line(200.0, 110.0, 200.0, 40.0),
        feet=[Foot(60.0, 140.0, "runner", 0.0, "", "start"), Foot(340.0, 140.0, "runner", 0.0, "", "start")],
        centre=Dot(190.0, 100.0, 6.0, ""), u_x=12.0, u_y=9.0,
        scale=Line(30.0, 152.0, 90.0, 152.0, "0.5 m"),
    )  # fmt: skip
    top = SimpleNamespace(
        height=160, parts=[Dot(120.0, 80.0, 24.0, "Module")], rider=Line(190.0, 60.0, 190.0, 100.0),
        edges=[Line(60.0, 80.0, 340.0, 20.0), Line(340.0, 20.0, 340.0, 140.0)],
        weakest=Line(60.0, 80.0, 340.0, 140.0), centre=Dot(190.0, 80.0, 6.0, ""), u_x=12.0, u_y=9.0,
        feet=[Foot(60.0, 80.0, "wheel", 0.0, "73 kg", "start"), Foot(340.0, 20.0, "runner", 0.0, "34 kg", "end")],
    )  # fmt: skip
    return SimpleNamespace(sentence="A made-up machine.", side=side, top=top)
