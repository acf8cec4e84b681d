"""The picture of a session's logs that stands before anything is moved, and the points of the one that can be."""

import numpy as np
import pytest

from sessions.drawing.from_above import from_above
from sessions.drawing.line_panels import LinePanels, Panel, PanelLine, PanelMark, packed
from sessions.logs.first_picture import HEIGHT, WIDTH, first_picture
from tests.logs.test_recordings import ride


def places(path):
    return np.array([[float(number) for number in pair.split()] for pair in path[1:].split("L")])


def drawn(*panels, span=(0.0, 1.0), marks=()):
    listed = [
        Panel(title, [PanelLine(title, title, "", np.array(x), np.array(y)) for x, y in lines])
        for title, *lines in panels
    ]
    return LinePanels(listed, *span, "Seconds into the session", list(marks))


def test_it_has_every_panel_with_its_ends(session, sign_in):
    ride(session)
    page = sign_in("reader").get(f"/sessions/{session.pk}/recordings/")
    picture = page.context["pictures"]["panels"]
    assert [panel.title for panel in picture.panels] == ["Speed, km/h", "Voltage, V", "Current, A", "Power, W"]
    assert picture.panels[1].ends == "51.0 to 54.0"
    assert page.content.decode().count('<path class="line"') == 4
    # No point of a line is in the page twice: a script asks for them when somebody looks closer.
    assert "lines" not in page.context["charts"]["panels"]
    assert "plotly" not in page.content.decode()


def test_every_peak_is_in_the_box():
    x, y = list(range(5000)), [0.0] * 5000
    y[3217] = 71.25
    [panel] = first_picture(drawn(("Voltage, V", (x, y)), span=(0, 4999))).panels
    points = places(panel.lines[0].path)
    assert len(points) < 400
    assert points[points[:, 1].argmin()] == pytest.approx([WIDTH * 3217 / 4999, 0.04 * HEIGHT], abs=0.06)
    assert (points >= 0).all()
    assert (points <= [WIDTH, HEIGHT]).all()


def test_a_line_that_never_changes_is_in_the_middle_and_an_empty_one_is_left_out():
    [panel] = first_picture(drawn(("A", ([3, 3], [5.0, 5.0])), ("B", ([], [])), span=(3, 3))).panels
    assert set(places(panel.lines[0].path)[:, 1]) == {HEIGHT / 2}


def test_passes_are_bands_and_words_keep_apart():
    marks = [
        PanelMark(110.0, 120.0, "pass 1"), PanelMark(112.0, 114.0, "pass 2"), PanelMark(200.0, 200.0, "chain came off"),
    ]  # fmt: skip
    picture = first_picture(drawn(("Speed, km/h", ([100, 300], [0.0, 1.0])), span=(100, 300), marks=marks))
    # In hundredths of 200 s: (110 - 100) / 2 = 5, and ten seconds are 5 wide; the words of the second would lie on it.
    assert [(mark.left, mark.width, mark.words) for mark in picture.marks] == [
        (5.0, 5.0, "pass 1"), (6.0, 1.0, ""), (50.0, 0.0, "chain came off"),
    ]  # fmt: skip
    assert picture.ticks == [(0.0, "100"), (25.0, "150"), (50.0, "200"), (75.0, "250"), (100.0, "300")]


@pytest.mark.parametrize(
    ("values", "digits", "whole"),
    [
        ([52.0, 52.5, 51.25], 2, [5200, 5250, 5125]),
        # Five digits of the largest; more are not seen.
        ([52.123456, -0.000004], 3, [52123, 0]),
        ([0.0000123456, 0.0], 9, [12346, 0]),
        ([987654.0, 1.0], 0, [987654, 1]),
        ([0.0, 0.0], 0, [0, 0]),
        ([1e30, -2.5e20], 0, [1e30, -2.5e20]),
        ([], 0, []),
    ],
)
def test_points_are_packed_as_whole_numbers(values, digits, whole):
    answer = packed(np.arange(len(values)) * 0.5 - 0.25, np.array(values))
    assert (answer["digits"], answer["values"]) == (digits, whole)
    assert answer["along"] == [-250, 500, 500][: len(values)]


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
    # A cursor's ring knows when each point was.
    assert from_above({"data": [track | {"customdata": [4.0, 9.5]}, marks]}).clocks == [[4.0, 9.5]]
    assert from_above(None) is None
    for length_m in (3.0, 47.0, 110.0, 740.0, 26_000.0):
        picture = from_above({"data": [{"mode": "lines", "x": [0.0, length_m], "y": [0.0, 0.0]}]})
        # As the steps of an axis: 1, 2 or 5 of a power of ten, and long enough to be measured with.
        assert picture.metres.split(" ")[0].strip("0.") in ("1", "2", "5")
        assert 420 / 8 <= picture.scale <= 420 / 8 * 2.5 + 0.1
    # A receiver that stood still is one point.
    assert from_above({"data": [{"mode": "lines", "x": [2.0], "y": [1.0]}]}).courses == ["210,16"]


@pytest.mark.parametrize(("width", "most"), [("390", 782), ("5000", 2002), ("1", 302), ("wide", 2002), ("", 2002)])
def test_a_narrow_screen_gets_fewer_points(width, most, session, sign_in):
    ride(session, seconds=4000)
    address = f"/sessions/{session.pk}/recordings/window/?from_s=0&to_s=4000&width_px={width}"
    lines = sign_in("reader").get(address).json()["lines"]
    assert most / 2 < max(len(line["values"]) for line in lines) <= most


@pytest.mark.parametrize(("values", "ends"), [
    ([17.19, 12345.6], "0 to 12000"), ([-15.2, -1.94], "−15 to −2"), ([0.4842, 65.21], "0 to 65"), ([0.3, 0.3], "0.3"),
])  # fmt: skip
def test_its_ends_are_numbers_people_read(values, ends):
    """12 kW were 1.235e+04."""
    [panel] = first_picture(drawn(("Power, W", ([0, 1], values)))).panels
    assert panel.ends == ends
