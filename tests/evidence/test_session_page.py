"""A session's page says its main numbers first, among the machine's earlier ones, and its nearest limits."""

import re
from datetime import timedelta

import pytest

from calc.results import Result
from sessions.drawing.pass_dots import MOST_LABELS, Run, pass_dots
from sessions.drawing.value_lines import WIDTH, value_line
from sessions.evidence.headline import limit_bars
from sessions.evidence.session_results import EARLIER, SessionBesideEarlier
from sessions.models import Pass, Session


def ride(session, gate, days, duration_s=10.0, **more):
    made = Session.objects.create(
        revision=session.revision,
        venue=session.venue,
        started_at=session.started_at + timedelta(days=days),
        distance_m=5000.0,
        charge_used_ah=6.0,
        runtime_s=900.0,
        **more,
    )
    for number, direction in ((1, "out"), (2, "back")):
        Pass.objects.create(session=made, gate=gate, number=number, direction=direction, duration_s=duration_s)
    return made


def test_the_main_numbers_stand_among_the_machines_earlier_ones(sign_in, session, gate):
    ride(session, gate, 1)
    last = ride(session, gate, 2, 9.0)
    page = sign_in("reader").get(last.get_absolute_url()).content.decode()
    headlines = page[page.index('class="headlines"') : page.index("± holds in 95 %")]
    # 100 m in 9.0 s both ways is 40 km/h.
    assert "Two-way mean speed" in headlines
    assert "<strong>40.00</strong> ± " in headlines
    assert headlines.count('class="earlier"') >= 1
    assert "the last 2 sessions with it" in page
    assert page.index('class="headlines"') < page.index("<h2>Passes</h2>") < page.index("with method and evidence")


def test_the_first_session_stands_alone(sign_in, session, gate):
    Session.objects.exclude(pk=session.pk).delete()
    Pass.objects.create(session=session, gate=gate, duration_s=10.0)
    page = sign_in("reader").get(session.get_absolute_url()).content.decode()
    assert "<strong>36" in page
    assert 'class="earlier"' not in page
    assert "grey:" not in page
    # One pass makes no picture; its row is in sight.
    assert "pass-dots" not in page
    assert re.search(r'<details class="across" open><summary>1 pass,', page)


def test_earlier_and_later_lead_to_the_sessions_beside_it(sign_in, session, gate):
    first, middle, last = (ride(session, gate, days) for days in (1, 2, 3))
    reader = sign_in("reader")
    page = reader.get(middle.get_absolute_url()).content.decode()
    assert f'<a href="{first.get_absolute_url()}">earlier</a>' in page
    assert f'<a href="{last.get_absolute_url()}">later</a>' in page
    assert ">later</a>" not in reader.get(last.get_absolute_url()).content.decode()


def test_a_doubtful_value_is_not_among_the_earlier_ones(session, gate):
    ride(session, gate, 1)
    # 100 m in a tenth of a second cannot be.
    slipped = ride(session, gate, 2, 0.1)
    last = ride(session, gate, 3)
    earlier = SessionBesideEarlier(last).earlier
    speeds = earlier.values("two_way_mean_speed")
    assert earlier.last == slipped.pk
    assert [speed for speed in speeds if speed == speed] == [pytest.approx(10.0)]


def test_the_page_takes_the_same_number_of_queries_however_many_are_earlier(
    sign_in, session, gate, django_assert_num_queries
):
    client = sign_in("reader")
    last = ride(session, gate, 100)
    ride(session, gate, 1)
    client.get(last.get_absolute_url())
    with django_assert_num_queries(25) as captured:
        client.get(last.get_absolute_url())
    for days in range(2, EARLIER + 10):
        ride(session, gate, days)
    with django_assert_num_queries(len(captured)):
        client.get(last.get_absolute_url())


def test_limits_come_by_how_much_of_them_was_used():
    margins = [
        Result("motor_temperature_margin", 72.0, limit=110.0, reached=38.0),
        Result("controller_voltage_margin", 1.2, limit=60.0, reached=58.8),
        Result("controller_cut_off_margin", 5.0, limit=30.0, reached=35.0),
        # −15 °C against a lowest of −20 °C is no share of anything.
        Result("battery_cold_margin", 5.0, limit=-20.0, reached=-15.0),
        Result("peak_power", 3000.0),
    ]
    bars = limit_bars(margins)
    assert [(bar.label, bar.kind) for bar in bars] == [
        ("Controller voltage", "voltage"),
        ("Margin to the controller's cut-off", "voltage"),
        ("Motor temperature", "temperature"),
    ]
    assert [bar.share for bar in bars] == pytest.approx([58.8 / 60, 30 / 35, 38 / 110])
    assert [bar.result.is_limit_lowest for bar in bars] == [False, True, False]
    over = Result("controller_voltage_margin", -3.0, limit=60.0, reached=63.0)
    assert limit_bars([over])[0].width == 100.0


def test_a_line_of_values_holds_all_of_them():
    line = value_line(50.0, 2.0, [40.0, 60.0, float("nan")])
    assert len(line.earlier_x) == 2
    assert line.earlier_x[0] < line.lower_x < line.x < line.upper_x < line.earlier_x[1]
    assert 0 <= min(line.earlier_x) <= max(line.earlier_x) <= WIDTH
    assert value_line(50.0, None, []) is None
    alone = value_line(50.0, None, [50.0])
    assert (alone.x, alone.earlier_x) == (WIDTH / 2, [WIDTH / 2])


def test_passes_are_drawn_in_their_order_with_the_mean_of_both_ways():
    picture = pass_dots([Run(17.0, 0.4, True, "61.2"), Run(16.0, 0.4, False, "57.6")], 16.5)
    out, back = picture.dots
    assert (out.is_out, out.way, back.way, out.label) == (True, "out", "back", "61.2")
    assert out.top_y < out.y < picture.mean_y < back.y < back.bottom_y
    assert pass_dots([Run(17.0, 0.4, True, "61.2")], None) is None
    assert pass_dots([Run(17.0, 0.4, True, "a"), Run(17.0, 0.4, True, "b")], 30.0).mean_y is None
    crowd = pass_dots([Run(10.0 + place, 0.1, True, str(place)) for place in range(MOST_LABELS + 1)], None)
    assert [dot.label for dot in crowd.dots if dot.label] == [str(MOST_LABELS)]
