"""The picture of a session's logs that stands before the chart library is there."""

import re

import numpy as np
import pytest

from sessions.logs.first_picture import HEIGHT, WIDTH, first_picture
from tests.logs.test_recordings import ride


def places(path):
    return np.array([[float(number) for number in pair.split()] for pair in path[1:].split("L")])


def test_it_has_every_panel_with_its_ends(session, sign_in):
    ride(session)
    page = sign_in("reader").get(f"/sessions/{session.pk}/recordings/")
    panels = page.context["figures"]["panels"]
    picture = page.context["picture"]
    assert [panel.title for panel in picture] == ["Speed, km/h", "Voltage, V", "Current, A", "Power, W"]
    assert picture[1].ends == "51 to 54"
    assert page.content.decode().count("<path d=") == len(panels["data"])
    # It comes before the library, which only the script fetches.
    assert not re.search(r"<script[^>]+ src=\"[^\"]*plotly", page.content.decode())


def test_every_peak_is_in_the_box():
    x, y = list(range(5000)), [0.0] * 5000
    y[3217] = 71.25
    layout = {"xaxis": {"range": [0, 4999]}, "yaxis": {"title": {"text": "Voltage, V"}}}
    line = {"mode": "lines", "x": x, "y": y, "line": {"color": "#000"}}
    [panel] = first_picture({"data": [line], "layout": layout})
    drawn = places(panel.paths[0][1])
    assert len(drawn) < 400
    assert drawn[drawn[:, 1].argmin()] == pytest.approx([WIDTH * 3217 / 4999, 0.04 * HEIGHT], abs=0.06)
    assert (drawn >= 0).all()
    assert (drawn <= [WIDTH, HEIGHT]).all()


def test_a_line_that_never_changes_is_in_the_middle_and_an_empty_one_is_left_out():
    layout = {"xaxis": {"range": [3, 3]}, "yaxis": {"title": {"text": "A"}}, "yaxis2": {"title": {"text": "B"}}}
    data = [
        {"mode": "lines", "x": [3, 3], "y": [5.0, 5.0], "line": {"color": "#000"}},
        {"mode": "lines", "x": [], "y": [], "line": {"color": "#000"}, "yaxis": "y2"},
    ]
    [panel] = first_picture({"data": data, "layout": layout})
    assert set(places(panel.paths[0][1])[:, 1]) == {HEIGHT / 2}


@pytest.mark.parametrize(("width", "most"), [("390", 784), ("5000", 1004), ("1", 304), ("wide", 1004), ("", 1004)])
def test_a_narrow_screen_gets_fewer_points(width, most, session, sign_in):
    ride(session, seconds=2000)
    address = f"/sessions/{session.pk}/recordings/window/?from_s=0&to_s=2000&width_px={width}"
    lines = sign_in("reader").get(address).json()["lines"]
    assert most / 2 < max(len(line["x"]) for line in lines) <= most
