"""Rides of a track through gates: offered as passes, with their uncertainty and their doubts."""

from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from sessions.logs.crossings import BY_POSITIONS, STANDING_START, proposals_of
from sessions.models import Gate, GateMark, Log, Pass
from tests.logs.test_gpx import gpx, point, send
from tests.logs.whole_logs import whole_columns


@pytest.fixture
def placed(venue):
    """A gate due north along 25° E: marks 0.0005° and 0.0010° of latitude apart from the first."""
    gate = Gate.objects.create(venue=venue, name="North run", method="coordinates")
    for index, latitude in enumerate((60.0000, 60.0005, 60.0010)):
        GateMark.objects.create(gate=gate, position_m=55.7 * index, latitude_deg=latitude, longitude_deg=25.0)
    return gate


def steady(*, out=True, begins=0):
    """North at 0.0001° of latitude a second, past all three marks, a point each 2 s between the marks' places."""
    latitudes = [59.99985 + 0.0002 * step for step in range(10)]
    order = latitudes if out else latitudes[::-1]
    return [point(f"{latitude:.6f}", 25.0, begins + 2 * step) for step, latitude in enumerate(order)]


def test_a_synthetic_track_crosses_exactly(session, placed, sign_in):
    """By hand: from 59.99985° at 0.0001°/s the marks are passed after 1.5, 6.5 and 11.5 s; back, from 60.00165°,
    after 6.5, 11.5 and 16.5 s.
    """
    client = sign_in("recorder")
    send(client, session, gpx(*steady(begins=60), *steady(out=False, begins=100)))
    log = Log.objects.get()
    first, second = proposals_of(log, whole_columns(log))
    assert (first.direction, second.direction) == ("out", "back")
    assert first.time_into_session_s == pytest.approx(61.5, abs=2e-3)
    # The marks are laid as far apart as they were taped, 111.4 m of 111.412 m.
    assert first.duration_s == pytest.approx(10.0, abs=2e-3)
    assert first.split_times_s == pytest.approx([5.0], abs=2e-3)
    assert second.time_into_session_s == pytest.approx(106.5, abs=2e-3)
    page = client.get(log.get_absolute_url())
    assert page.content.decode().count('name="accept"') == 2
    client.post(log.get_absolute_url(), {"accept": [first.key]})
    run = Pass.objects.get()
    assert (run.gate, run.method, run.direction) == (placed, "satellite", "out")
    assert run.duration_s == pytest.approx(10.0, abs=2e-3)
    # Sent again, it is known; what was refused is not stored.
    client.post(log.get_absolute_url(), {"accept": [first.key]})
    assert Pass.objects.count() == 1
    assert "a pass already" in client.get(log.get_absolute_url()).content.decode()


def test_a_ride_beside_the_gate_or_turned_back_is_no_pass(session, placed, sign_in):
    # 0.002° of longitude at 60° N is 111 m to the side; the second turns back after the second mark.
    beside = [point(f"{59.99985 + 0.0002 * n:.6f}", 25.002, 2 * n) for n in range(10)]
    turned = [
        point(f"{59.99985 + 0.0002 * n:.6f}", 25.0, 100 + 2 * k) for k, n in enumerate([0, 1, 2, 3, 4, 3, 2, 1, 0])
    ]
    send(sign_in("recorder"), session, gpx(*beside, *turned))
    log = Log.objects.get()
    assert proposals_of(log, whole_columns(log)) == []


@pytest.mark.parametrize(
    ("minutes", "offered", "is_refused"), [(4320, 0, True), (-4320, 0, True), (20, 0, False), (0, 1, False)]
)
def test_a_track_of_another_time_offers_no_pass(session, placed, sign_in, minutes, offered, is_refused):
    """The session's start is moved: days away it is another outing, and what came before it is no pass of it."""
    client = sign_in("recorder")
    send(client, session, gpx(*steady(begins=60)))
    type(session).objects.update(started_at=session.started_at + timedelta(minutes=minutes))
    log = Log.objects.get()
    assert len(proposals_of(log, whole_columns(log))) == offered
    page = client.get(log.get_absolute_url()).content.decode()
    assert ("not of one outing" in page) is is_refused
    assert client.post(log.get_absolute_url(), {"accept": "x"}).status_code == 302


def metres(east, north, second, extra=""):
    """A place near the gate: at 60° N a degree of latitude is 111,412 m, of longitude 55,800 m (WGS84)."""
    return point(f"{60.0005 + north / 111_412:.8f}", f"{25 + east / 55_800:.8f}", second, extra)


def laps_of_an_oval(count, mps=8.0, away_m=45.0):
    """Up along the gate, round, down beside it, and round again, a fix a second."""
    straight, radius = 200.0, away_m / 2
    around = 2 * straight + 2 * np.pi * radius
    for second in range(int(count * around / mps)):
        way = (second * mps) % around
        if way < straight:
            east, north = 0.0, way - straight / 2
        elif way < straight + np.pi * radius:
            turn = (way - straight) / radius
            east, north = radius - radius * np.cos(turn), straight / 2 + radius * np.sin(turn)
        elif way < 2 * straight + np.pi * radius:
            east, north = away_m, straight / 2 - (way - straight - np.pi * radius)
        else:
            turn = (way - 2 * straight - np.pi * radius) / radius
            east, north = radius + radius * np.cos(turn), -straight / 2 - radius * np.sin(turn)
        yield metres(east, north, second)


def test_laps_of_an_oval_are_one_pass_each(session, placed, sign_in):
    """Every lap goes up through the gate and down 45 m beside it: four laps are four passes out, and none back."""
    send(sign_in("recorder"), session, gpx(*laps_of_an_oval(4)))
    log = Log.objects.get()
    proposals = proposals_of(log, whole_columns(log))
    assert [(ride.direction, ride.doubts) for ride in proposals] == [("out", ())] * 4
    # The gate is 111.4 m long; at 8 m/s that takes 13.9 s.
    assert [ride.duration_s for ride in proposals] == pytest.approx([13.93] * 4, abs=0.2)
    assert all(0.3 < ride.u_duration_s < 1.0 for ride in proposals)


def test_a_stop_a_gap_and_a_detour_are_offered_and_not_ticked(session, placed, sign_in):
    up = [(0.0, -100 + 8.0 * second, float(second)) for second in range(26)]
    stop = [(e, n, 100 + s + (60 if s > 12 else 0)) for e, n, s in up]
    stop += [(0.0, -4.0, 112.0 + second) for second in range(1, 61)]
    long_stop = [(e, n, 400 + s + (600 if s > 12 else 0)) for e, n, s in up]
    long_stop += [(0.0, -4.0, 412.0 + second) for second in range(1, 601)]
    gap = [(e, n, 1500 + s) for e, n, s in up if not 9 < s < 15]
    away = [(min(s - 8, 18 - s) * 8.0 if 8 < s < 18 else 0.0, n, 1800 + s) for _, n, s in up]
    rows = sorted([*up, *stop, *long_stop, *gap, *away], key=lambda row: row[2])
    client = sign_in("recorder")
    send(client, session, gpx(*(metres(*row) for row in rows)))
    log = Log.objects.get()
    rides = {
        round(ride.time_into_session_s, -2): ride
        for ride in proposals_of(log, whole_columns(log))
        if ride.direction == "out"
    }
    assert rides[0].doubts == ()
    assert any("stood still" in words for words in rides[100].doubts)
    # Ten minutes within the gate are no pass at all.
    assert 400 not in rides
    assert any("no position" in words for words in rides[1500].doubts)
    assert any("farther" in words for words in rides[1800].doubts)
    page = client.get(log.get_absolute_url()).content.decode()
    assert page.count(" checked>") == 1


def test_an_accepted_ride_keeps_its_own_uncertainty(session, placed, sign_in):
    client = sign_in("recorder")
    send(client, session, gpx(*laps_of_an_oval(1)))
    log = Log.objects.get()
    [ride] = proposals_of(log, whole_columns(log))
    client.post(log.get_absolute_url(), {"accept": [ride.key]})
    run = Pass.objects.get()
    assert run.u_duration_s == pytest.approx(ride.u_duration_s)
    # √2 · 5 m / 1.515 of 111.4 m, where a track says nothing of its own noise (Rayleigh, 68.3 %).
    assert run.u_duration_s / run.duration_s == pytest.approx(2**0.5 * 5 / 1.515 / 111.4, rel=0.02)


def from_rest(begins):
    """Stands 20 s on the first mark, gains 2 m/s² to 12 m/s, rides past the last; north of the middle."""
    for second in range(45):
        moving_s = max(second - 20, 0)
        way_m = moving_s**2 if moving_s < 6 else 36 + 12 * (moving_s - 6)
        yield -55.706 + way_m, begins + second, min(2.0 * moving_s, 12.0)


def test_a_standing_start_is_offered_unticked_and_kept_out_of_every_speed(session, placed, sign_in):
    """By hand: 36 m in the first 6 s, the other 75.4 m at 12 m/s: 12.28 s from the first movement."""
    client = sign_in("recorder")
    rows = (metres(0.0, north, second, f"<speed>{mps}</speed>") for north, second, mps in from_rest(60))
    send(client, session, gpx(*rows))
    log = Log.objects.get()
    [ride] = proposals_of(log, whole_columns(log))
    assert ride.is_standing
    assert ride.duration_s == pytest.approx(12.28, abs=0.05)
    assert any("standing start" in words for words in ride.doubts)
    assert " checked>" not in client.get(log.get_absolute_url()).content.decode()
    client.post(log.get_absolute_url(), {"accept": [ride.key]})
    run = Pass.objects.get()
    assert (run.valid, run.invalid_reason) == (False, STANDING_START)
    assert run.duration_s == pytest.approx(12.28, abs=0.05)


def test_without_a_speed_a_ride_from_rest_is_doubted(session, placed, sign_in):
    """A metre before the mark, as positions may have it: they find its crossing, and not when it began."""
    send(sign_in("recorder"), session, gpx(*(metres(0.0, north - 1.0, second) for north, second, _ in from_rest(60))))
    log = Log.objects.get()
    [ride] = proposals_of(log, whole_columns(log))
    assert ride.is_standing
    assert ride.doubts == (BY_POSITIONS,)
    assert 2 * ride.u_duration_s > 5.0


def test_the_phone_gives_the_same_reason():
    script = (Path(__file__).parents[2] / "static/field/outing.js").read_text()
    assert f'STANDING_START = "{STANDING_START}"' in script


def test_readers_look_and_do_not_accept(session, placed, sign_in):
    send(sign_in("recorder"), session, gpx(*steady()))
    client = sign_in("reader")
    log = Log.objects.get()
    page = client.get(log.get_absolute_url())
    assert "North run" in page.content.decode()
    assert 'name="accept"' not in page.content.decode()
    assert client.post(log.get_absolute_url(), {}).status_code == 403
