"""The picture of a session's logs that stands before the chart library is there."""

import re

import numpy as np
import pytest

from sessions.drawing.from_above import from_above
from sessions.logs.first_picture import HEIGHT, WIDTH, first_picture
from tests.logs.test_recordings import ride


def places(path):
    return np.array([[float(number) for number in pair.split()] for pair in path[1:].split("L")])


def test_it_has_every_panel_with_its_ends(session, sign_in):
    ride(session)
    page = sign_in("reader").get(f"/sessions/{session.pk}/recordings/")
    panels = page.context["figures"]["panels"]
    picture = page.context["picture"]
    assert [panel.title for panel in picture.panels] == ["Speed, km/h", "Voltage, V", "Current, A", "Power, W"]
    assert picture.panels[1].ends == "51 to 54"
    assert page.content.decode().count('<path class="line"') == len(panels["data"])
    # It comes before the library, which only the script fetches.
    assert not re.search(r"<script[^>]+ src=\"[^\"]*plotly", page.content.decode())


def test_every_peak_is_in_the_box():
    x, y = list(range(5000)), [0.0] * 5000
    y[3217] = 71.25
    layout = {"xaxis": {"range": [0, 4999]}, "yaxis": {"title": {"text": "Voltage, V"}}}
    line = {"mode": "lines", "x": x, "y": y, "line": {"color": "#000"}}
    [panel] = first_picture({"data": [line], "layout": layout}).panels
    drawn = places(panel.lines[0].path)
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
    [panel] = first_picture({"data": data, "layout": layout}).panels
    assert set(places(panel.lines[0].path)[:, 1]) == {HEIGHT / 2}


def test_passes_are_bands_and_words_keep_apart():
    layout = {"xaxis": {"range": [100, 300]}, "yaxis": {"title": {"text": "Speed, km/h"}}}
    marked = [(110.0, 120.0, "pass 1"), (112.0, 114.0, "pass 2"), (200.0, 200.0, "chain came off")]
    layout["shapes"] = [{"x0": start, "x1": end} for start, end, _ in marked]
    layout["annotations"] = [{"text": words} for _, _, words in marked]
    line = {"mode": "lines", "x": [100, 300], "y": [0.0, 1.0], "line": {"color": "#000"}}
    picture = first_picture({"data": [line], "layout": layout})
    # In hundredths of 200 s: (110 - 100) / 2 = 5, and ten seconds are 5 wide; the words of the second would lie on it.
    assert [(mark.left, mark.width, mark.words) for mark in picture.marks] == [
        (5.0, 5.0, "pass 1"), (6.0, 1.0, ""), (50.0, 0.0, "chain came off"),
    ]  # fmt: skip
    assert picture.ticks == [(0.0, "100"), (25.0, "150"), (50.0, "200"), (75.0, "250"), (100.0, "300")]


def test_the_session_s_page_shows_its_ride(session, sign_in):
    ride(session)
    reader = sign_in("reader")
    page = reader.get(f"/sessions/{session.pk}/")
    [panel] = page.context["ride"].panels
    assert panel.title == "Speed, km/h"
    assert 'class="first-picture"' in page.content.decode()
    session.logs.all().delete()
    page = reader.get(f"/sessions/{session.pk}/")
    assert page.context["ride"] is None
    assert 'class="first-picture"' not in page.content.decode()


def test_a_track_from_above_has_one_scale_both_ways():
    track = {"mode": "lines", "x": [0.0, 300.0], "y": [0.0, 400.0]}
    marks = {"mode": "markers+text", "x": [300.0], "y": [0.0], "text": ["North straight 1"]}
    picture = from_above({"data": [track, marks]})
    (x1, y1), (x2, y2) = ([float(number) for number in pair.split(",")] for pair in picture.courses[0].split(" "))
    # A triangle of 3, 4 and 5: north is up, and 400 m north are 4/3 of 300 m east.
    assert (y1 - y2) / (x2 - x1) == pytest.approx(4 / 3, abs=0.01)
    [mark] = picture.marks
    assert (mark.x, mark.y) == (x2, y1)
    # The bar is as long as it says.
    assert picture.metres == "100 m"
    assert picture.scale / (x2 - x1) == pytest.approx(100 / 300, abs=0.001)
    assert from_above(None) is None
    for length_m in (3.0, 47.0, 110.0, 740.0, 26_000.0):
        picture = from_above({"data": [{"mode": "lines", "x": [0.0, length_m], "y": [0.0, 0.0]}]})
        # As the steps of an axis: 1, 2 or 5 of a power of ten, and long enough to be measured with.
        assert picture.metres.split(" ")[0].strip("0.") in ("1", "2", "5")
        assert 420 / 8 <= picture.scale <= 420 / 8 * 2.5 + 0.1
    # A receiver that stood still is one point.
    assert from_above({"data": [{"mode": "lines", "x": [2.0], "y": [1.0]}]}).courses == ["210,16"]


@pytest.mark.parametrize(("width", "most"), [("390", 784), ("5000", 1004), ("1", 304), ("wide", 1004), ("", 1004)])
def test_a_narrow_screen_gets_fewer_points(width, most, session, sign_in):
    ride(session, seconds=2000)
    address = f"/sessions/{session.pk}/recordings/window/?from_s=0&to_s=2000&width_px={width}"
    lines = sign_in("reader").get(address).json()["lines"]
    assert most / 2 < max(len(line["x"]) for line in lines) <= most
