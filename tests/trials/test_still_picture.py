"""A chart as a still picture: everything stands where its axis says. Scales are linear: worked out by hand here."""

import pytest

from sessions.drawing.figures import base_layout, scatter
from sessions.drawing.still_picture import still_picture


def figure(*traces, **layout):
    return {
        "data": list(traces),
        "layout": {**base_layout("Speed, km/h"), "xaxis": {"title": {"text": "km"}}, **layout},
    }


def share(tick_places, at):
    """How far `at` is from the first tick to the last."""
    first, last = tick_places[0].at, tick_places[-1].at
    return (at - first) / (last - first)


def test_dots_stand_between_the_ticks_that_their_values_are_between():
    picture = still_picture(figure(scatter(x=[0, 30, 100], y=[50, 55, 60], mode="markers", name="R1")))
    assert [tick.label for tick in picture.x_ticks] == ["0", "50", "100"]
    assert [tick.label for tick in picture.y_ticks] == ["50", "55", "60"]
    assert [share(picture.x_ticks, dot.x) for dot in picture.dots] == pytest.approx([0, 0.3, 1], abs=1e-3)
    assert [share(picture.y_ticks, dot.y) for dot in picture.dots] == pytest.approx([0, 0.5, 1], abs=1e-3)
    assert picture.y_ticks[0].at > picture.y_ticks[-1].at, "more is higher up"


def test_the_newest_revision_is_marked_and_no_other():
    rows = [scatter(x=[number], y=[number], mode="markers", name=f"R{number}") for number in (2, 10, 9)]
    picture = still_picture(figure(*rows))
    assert [dot.is_newest for dot in picture.dots] == [False, True, False]
    assert picture.newest == "R10"


def test_limits_reach_as_far_as_they_do():
    bars = {"array": [6.0], "arrayminus": [2.0]}
    picture = still_picture(figure(scatter(x=[0], y=[4.0], mode="markers", name="R1", error_y=bars)))
    [upright] = picture.uprights
    places = [share(picture.y_ticks, place) for place in (upright.bottom, picture.dots[0].y, upright.top)]
    low, high = (float(picture.y_ticks[end].label) for end in (0, -1))
    assert [low + (high - low) * place for place in places] == pytest.approx([2.0, 4.0, 10.0], abs=0.05)


def test_a_count_goes_up_in_steps():
    line = {"shape": "hv"}
    picture = still_picture(
        figure(scatter(x=[0, 10, 20], y=[0, 1, 1], mode="lines+markers", name="counted", line=line))
    )
    heights = [float(point.split(",")[1]) for point in picture.courses[0].points.split()]
    assert heights[0] == heights[1] > heights[2] == heights[3]


def test_names_upwards_are_the_ticks():
    rows = [scatter(x=[1, 2], y=["chain came off", "signal lost"], mode="markers", name="severity III")]
    picture = still_picture(figure(*rows))
    assert picture.has_names
    assert [tick.label for tick in picture.y_ticks] == ["chain came off", "signal lost"]
    assert [dot.y for dot in picture.dots] == [tick.at for tick in picture.y_ticks]


def test_names_of_revisions_that_would_lie_on_each_other_are_left_out():
    marks = [{"x": place, "text": f"R{number}"} for number, place in enumerate((0.0, 0.5, 60.0), 1)]
    picture = still_picture(figure(scatter(x=[0, 100], y=[1, 2], mode="markers", name="x"), annotations=marks))
    assert [mark.label for mark in picture.marks] == ["R1", "", "R3"]


@pytest.mark.parametrize("values", [[5.0], [0.0], [5.0, 5.0]])
def test_values_that_do_not_differ_have_ticks_as_well(values):
    picture = still_picture(figure(scatter(x=values, y=values, mode="markers", name="R1")))
    assert len(picture.y_ticks) >= 2
    assert all(0 <= dot.x <= 420 and 0 <= dot.y <= 240 for dot in picture.dots)


def test_no_values_no_picture():
    assert still_picture(figure()) is None
