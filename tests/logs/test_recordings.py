"""What a session's recordings are good for once they are read: one clock, coasting, passed limits, charts."""

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from scipy.stats import t as student_t

from buildlog.models import Fitting, Part
from sessions.logs.csv_layout import find_layout
from sessions.logs.events import events_of
from sessions.logs.ingest import read_stored, store_log
from sessions.logs.meanings import ColumnChoice, Mapping
from sessions.logs.timeline import Timeline, Trace
from sessions.models import Gate, GateMark, Log, Pass
from tests.logs.packed_lines import unpacked


def ride(session, name="ride.csv", seconds=300):
    """A ride at 2 Hz, with a coast-down from 14 to about 8 m/s after 100 s, 60 A before it."""
    times = np.arange(0, seconds, 0.5)
    speed = 6 + 3 * np.sin(times / 11) + 2 * np.sin(times / 5.3)
    coast = (times >= 100) & (times < 112)
    speed[coast] = 14 - 0.5 * (times[coast] - 100)
    amps = np.where(coast, 0.0, 20 + 40 * (times < 30))
    volts = 54 - 0.05 * amps
    rows = "".join(f"{t},{u:.3f},{i:.2f},{v:.4f}\n" for t, u, i, v in zip(times, volts, amps, speed, strict=True))
    kept = store_log(session, SimpleUploadedFile(name, f"t,volts,amps,speed\n{rows}".encode()))
    choices = (
        ColumnChoice(0, "time_s", "seconds"), ColumnChoice(1, "voltage_v", "V"), ColumnChoice(2, "current_a", "A"),
        ColumnChoice(3, "speed_mps", "m/s"),
    )  # fmt: skip
    with kept.original.open("rb") as held:
        layout = find_layout(held, kept.size_bytes).layout
    read_stored(kept, layout, Mapping(choices))
    return kept


def test_two_logs_come_together_by_their_speeds(session, sign_in):
    first = ride(session)
    whole = ride(session, "late.csv", seconds=260)
    # By construction the second begins with the first; moved by hand, its speeds bring it back.
    client = sign_in("recorder")
    client.post(f"/sessions/logs/{whole.pk}/place/", {"clock": "hand", "begins": "37.5 s"})
    whole.refresh_from_db()
    assert whole.begins_s == 37.5
    [result] = client.get(f"/sessions/{session.pk}/recordings/").context["suggestions"]
    assert result.correlation > 0.98
    assert abs(result.moved_s) == pytest.approx(37.5, abs=0.2)
    client.post(f"/sessions/logs/{result.log.pk}/place/", {"clock": "speeds", "begins": str(result.begins_s)})
    first.refresh_from_db()
    whole.refresh_from_db()
    assert first.begins_s == pytest.approx(whole.begins_s, abs=0.2)
    for values in ({"clock": "hand", "begins": "soon"}, {"clock": "moon"}, {"clock": "hand", "begins": "1e9 s"}):
        assert client.post(f"/sessions/logs/{whole.pk}/place/", values).status_code == 302
    assert Log.objects.get(pk=whole.pk).begins_s == whole.begins_s


def test_coasting_is_offered_and_gives_a_road_load(session, sign_in):
    client = sign_in("reader")
    path = f"/sessions/{session.pk}/recordings/"
    ride(session)
    [row] = client.get(path).context["coastings"]
    assert (row["coast"].start_s, row["coast"].from_mps) == (100.0, 14.0)
    type(session.revision).objects.update(mass_without_rider_kg=None)
    assert "mass" in client.get(path, {"coast": "1", "way_1": "out"}).context["cannot_fit"]
    type(session.revision).objects.update(mass_without_rider_kg=120.0)
    load = client.get(path, {"coast": "1", "way_1": "out"}).context["fit"].load
    # Newton's second law: 120 kg and a rider of 80 kg that lose 0.5 m/s each second are held back by 100 N.
    assert load.a_n == pytest.approx(100.0, abs=0.5)
    assert load.c_n_per_mps2 == pytest.approx(0.0, abs=0.01)


def coasting_both_ways(session, runs, gusts=()):
    """Runs that coast from 14 m/s by F = 60 + 0.5 (v ± 2)² N on 200 kg, one after the other, at 2 Hz; each in a wind
    that is by its gust stronger against it."""
    rows, clock = [], 0.0
    for number in range(2 * runs):
        wind, speed = (2.0 if number % 2 == 0 else -2.0), 14.0 + 0.2 * number
        wind += gusts[number] if gusts else 0.0
        for step in range(20):
            rows.append((clock + step / 2, 54, 40, speed * step / 20))
        for step in range(40):
            rows.append((clock + 10 + step / 2, 55, 0, speed))
            for _ in range(50):
                speed -= (60 + 0.5 * (speed + wind) ** 2) / 200 * 0.01
        clock += 40
    text = "".join(f"{t},{u},{i},{v:.4f}\n" for t, u, i, v in rows)
    kept = store_log(session, SimpleUploadedFile("coast.csv", f"t,volts,amps,speed\n{text}".encode()))
    with kept.original.open("rb") as held:
        layout = find_layout(held, kept.size_bytes).layout
    names = (("time_s", "seconds"), ("voltage_v", "V"), ("current_a", "A"), ("speed_mps", "m/s"))
    read_stored(kept, layout, Mapping(tuple(ColumnChoice(n, *choice) for n, choice in enumerate(names))))


def test_runs_both_ways_find_the_wind_and_have_an_uncertainty(session, sign_in):
    type(session.revision).objects.update(mass_without_rider_kg=120.0)
    coasting_both_ways(session, 3)
    client = sign_in("reader")
    page = client.get(
        f"/sessions/{session.pk}/recordings/",
        {"coast": list("123456"), **{f"way_{n}": "out" if n % 2 else "back" for n in range(1, 7)}},
    )
    load = page.context["fit"].load
    assert load.a_n == pytest.approx(60.0, abs=0.5)
    assert load.c_n_per_mps2 == pytest.approx(0.5, rel=0.01)
    assert load.wind_mps == pytest.approx(2.0, abs=0.05)
    assert load.u_a_n < 1.0
    assert "with B = 0" in page.context["fit"].says
    # Power over speed, P = (A + C v²) v, with its band.
    kmh, watts = unpacked(page.context["charts"]["power"]["lines"][0])
    speed = kmh / 3.6
    assert watts == pytest.approx((60 + 0.5 * speed**2) * speed, rel=0.02, abs=1.0)
    assert [line["label"] for line in page.context["charts"]["power"]["panels"][0]["lines"]] == [
        "power", "at most", "at least",
    ]  # fmt: skip
    # One way only, and one run each way: no ±, and why.
    chosen = {"coast": ["1", "3"], "way_1": "out", "way_3": "out"}
    one_way = client.get(f"/sessions/{session.pk}/recordings/", chosen)
    assert one_way.context["fit"].load.u_a_n is None
    assert "One way only" in one_way.context["fit"].says


def test_what_a_nearer_road_load_would_take_is_said(session, sign_in):
    type(session.revision).objects.update(mass_without_rider_kg=120.0)
    coasting_both_ways(session, 3, gusts=(1.2, -0.9, -1.5, 0.8, 0.6, -1.0))
    chosen = {"coast": list("123456"), **{f"way_{n}": "out" if n % 2 else "back" for n in range(1, 7)}}
    fit = sign_in("reader").get(f"/sessions/{session.pk}/recordings/", chosen).context["fit"]
    # ± falls with the root of the runs, and with Student's t of scipy 1.17.1 for runs less two.
    plus_minus = 2 * fit.load.u_a_n / student_t.ppf(0.975, 4)
    more = next(n for n in range(20) if plus_minus * (6 / (6 + 2 * n)) ** 0.5 * student_t.ppf(0.975, 4 + 2 * n) <= 1.5)
    assert more > 1, fit.says
    assert f"bout {more} more runs each way would bring the constant part to ± 1.5 N" in fit.says


def test_a_passed_limit_is_offered_as_a_failure(session, sign_in):
    values = {"highest_voltage_v": 60.0, "continuous_current_a": 50.0}
    part = Part.objects.create(name="Controller", category="speed_controller", mass_kg=1, specification=values)
    Fitting.objects.create(revision=session.revision, part=part)
    ride(session)
    client = sign_in("recorder")
    [event] = client.get(f"/sessions/{session.pk}/recordings/").context["events"]
    assert (event.limit.mode, event.start_s, event.duration_s, event.worst) == (
        "Current above its continuous limit", 0.0, 29.5, 60.0,
    )  # fmt: skip
    form = client.get(f"/failures/new/?{event.form_query}").context["form"]
    assert form.initial["mode_name"] == "Current above its continuous limit"
    assert str(form.initial["session"]) == str(session.pk)


def test_a_column_that_stays_within_its_limit_is_not_read_for_it(session, monkeypatch):
    """Of a long log each column is tens of megabytes; the ends of all were stored with it."""
    limits = {"highest_voltage_v": 60.0, "continuous_current_a": 50.0}
    part = Part.objects.create(name="Controller", category="speed_controller", mass_kg=1, specification=limits)
    Fitting.objects.create(revision=session.revision, part=part)
    ride(session)
    read, whole = [], Trace.series
    monkeypatch.setattr(Trace, "series", lambda trace: read.append(trace.channel.name) or whole(trace))
    with Timeline(session, session.logs.all()) as timeline:
        [event] = events_of(timeline, [])
    assert (event.worst, read) == (60.0, ["current_a"])


def test_the_window_is_finer_and_answers_nonsense_kindly(session, sign_in):
    ride(session)
    client = sign_in("reader")
    path = f"/sessions/{session.pk}/recordings/window/"
    data = client.get(path, {"from_s": "10", "to_s": "20"}).json()["lines"]
    assert len(data) == 4
    assert 19 <= len(data[0]["along"]) == len(data[0]["values"]) <= 24
    for bad in ({}, {"from_s": "a", "to_s": "2"}, {"from_s": "5", "to_s": "1"}, {"from_s": "nan", "to_s": "1"}):
        answer = client.get(path, bad)
        assert answer.status_code == 400
        assert "from_s" in answer.json()["detail"]


def test_what_the_script_draws_names_every_line_of_the_window_in_its_order(session, sign_in):
    ride(session)
    client = sign_in("reader")
    described = client.get(f"/sessions/{session.pk}/recordings/").context["charts"]["panels"]
    lines = [line for panel in described["panels"] for line in panel["lines"]]
    assert [(line["label"], line["unit"]) for line in lines] == [
        ("speed over ground", "km/h"), ("voltage", "V"), ("current", "A"), ("power", "W"),
    ]  # fmt: skip
    start_s, end_s = described["span"]
    window = f"/sessions/{session.pk}/recordings/window/?from_s={start_s}&to_s={end_s}"
    volts = client.get(window).json()["lines"][1]
    values = [value / 10 ** volts["digits"] for value in volts["values"]]
    assert (min(values), max(values)) == (51.0, 54.0)


def test_two_logs_of_one_ride_add_up_and_the_result_says_so(session, sign_in):
    """Two files of 300 s, one after the other: the charge is that of both, on the charts' page and the session's."""
    first, second = ride(session), ride(session, "after.csv", seconds=260)
    path = f"/sessions/{session.pk}/recordings/"
    client = sign_in("recorder")

    def charge(page):
        return next(result for result in page.context["results"] if result.key == "charge_used")

    # Neither clock has a date: nobody knows whether they are of the same minutes.
    alone = charge(client.get(path))
    assert "whose place in the session is not known" in alone.method
    client.post(f"/sessions/logs/{first.pk}/place/", {"clock": "hand", "begins": "0 s"})
    client.post(f"/sessions/logs/{second.pk}/place/", {"clock": "hand", "begins": "310 s"})
    both = charge(client.get(path))
    assert both.value == pytest.approx(first.facts.charge_ah + second.facts.charge_ah)
    assert "From ride.csv and after.csv, joined." in both.method
    results = client.get(f"/api/v1/sessions/{session.pk}/results/").json()
    listed = str(results)
    assert "ride.csv and after.csv, joined" in listed
    client.post(f"/sessions/logs/{second.pk}/place/", {"clock": "hand", "begins": "100 s"})
    over = charge(client.get(path))
    assert over.value == pytest.approx(first.facts.charge_ah)
    assert "not after.csv, which covers the same time" in over.method


def laps(session, name):
    """Eight laps of 40 s, each like the others."""
    times = np.arange(0, 320, 0.5)
    speed = 8 + 3 * np.sin(2 * np.pi * times / 40) + np.sin(4 * np.pi * times / 40 + 1)
    rows = "".join(f"{t},{v:.4f},{name}\n" for t, v in zip(times, speed, strict=True))
    kept = store_log(session, SimpleUploadedFile(f"{name}.csv", f"t,speed,who\n{rows}".encode()))
    with kept.original.open("rb") as held:
        layout = find_layout(held, kept.size_bytes).layout
    read_stored(kept, layout, Mapping((ColumnChoice(0, "time_s", "seconds"), ColumnChoice(1, "speed_mps", "m/s"))))
    return kept


def test_laps_alike_are_shown_with_their_rivals_and_brought_together_by_hand(session, sign_in):
    first, second = laps(session, "a"), laps(session, "b")
    client = sign_in("recorder")
    client.post(f"/sessions/logs/{second.pk}/place/", {"clock": "hand", "begins": "25 s"})
    page = client.get(f"/sessions/{session.pk}/recordings/")
    [suggestion] = page.context["suggestions"]
    assert {round(abs(moved_s - suggestion.moved_s)) % 40 for moved_s, _ in suggestion.rivals} == {0}
    assert not suggestion.is_worth_taking
    assert "None is offered" in page.content.decode()
    # The same instant is 60 s in the first and, as the other lies now, at 85 s.
    client.post(f"/sessions/logs/{second.pk}/place/", {"clock": "hand", "seen_here": "85", "seen_there": "60"})
    second.refresh_from_db()
    assert second.begins_s == pytest.approx(0.0)
    answer = client.post(f"/sessions/logs/{first.pk}/place/", {"clock": "hand", "seen_here": "", "seen_there": "60"})
    assert answer.status_code == 302
    first.refresh_from_db()
    assert first.begins_s == 0.0


def test_a_slice_is_saved_as_csv_with_every_sample(session, sign_in):
    kept = ride(session)
    client = sign_in("reader")
    answer = client.get(f"/sessions/logs/{kept.pk}/slice/", {"from_s": "100", "to_s": "101"})
    lines = b"".join(answer.streaming_content).decode().split("\r\n")
    assert lines[0] == (
        "time into the session [s],pack voltage [volt],pack current [ampere],speed over ground [meter/second]"
    )
    assert lines[1:4] == ["100,54,0,14", "100.5,54,0,13.75", "101,54,0,13.5"]
    whole = client.get(f"/sessions/logs/{kept.pk}/slice/")
    assert b"".join(whole.streaming_content).count(b"\r\n") == 601
    assert client.get(f"/sessions/logs/{kept.pk}/slice/", {"from_s": "5", "to_s": "x"}).status_code == 400


def test_two_passes_are_laid_over_each_other_by_distance(session, sign_in):
    """Passes of 100 m at a steady 10 and 8 m/s: at half the way the second is 50/8 − 50/10 = 1.25 s behind."""
    times = np.arange(0, 100, 0.5)
    speed = np.where(times < 50, 10.0, 8.0)
    rows = "".join(f"{t},{v:.2f},0\n" for t, v in zip(times, speed, strict=True))
    kept = store_log(session, SimpleUploadedFile("two.csv", f"t,speed,x\n{rows}".encode()))
    with kept.original.open("rb") as held:
        layout = find_layout(held, kept.size_bytes).layout
    read_stored(kept, layout, Mapping((ColumnChoice(0, "time_s", "seconds"), ColumnChoice(1, "speed_mps", "m/s"))))
    gate = Gate.objects.create(venue=session.venue, name="Strip")
    for place in (0.0, 100.0):
        GateMark.objects.create(gate=gate, position_m=place)
    first, second, back = (
        Pass.objects.create(session=session, gate=gate, duration_s=s, time_into_session_s=at, direction=way)
        for s, at, way in ((10.0, 20.0, "out"), (12.5, 60.0, "out"), (12.5, 80.0, "back"))
    )
    client = sign_in("reader")
    path = f"/sessions/{session.pk}/recordings/"
    page = client.get(path, {"first": first.pk, "second": second.pk})
    overlay = page.context["overlay"]
    assert np.interp(50.0, overlay.distance_m, overlay.behind_s) == pytest.approx(1.25)
    assert overlay.behind_s[-1] == pytest.approx(2.5)
    along, behind_s = unpacked(page.context["charts"]["laid_over"]["lines"][2])
    assert (along[-1], behind_s[-1]) == (100.0, 2.5)
    assert page.context["pictures"]["laid_over"].title == "From the first mark, m"
    other_way = client.get(path, {"first": first.pk, "second": back.pk})
    assert "in one direction" in other_way.context["cannot_overlay"]
    # Nothing chosen: two that can be laid over each other stand ready, and one over itself is no comparison.
    assert list(client.get(path).context["chosen_passes"]) == [first, second]
    itself = client.get(path, {"first": first.pk, "second": first.pk})
    assert "Choose two passes" in itself.context["cannot_overlay"]
    assert client.get(path, {"first": "x", "second": ""}).status_code == 200


def test_a_log_of_another_year_does_not_hide_the_others(session, sign_in):
    ride(session)
    other = ride(session, "old.csv", seconds=250)
    client = sign_in("recorder")
    client.post(f"/sessions/logs/{other.pk}/place/", {"clock": "hand", "begins": "-900000 s"})
    page = client.get(f"/sessions/{session.pk}/recordings/")
    assert page.context["charts"]["panels"]["span"] == [0.0, 299.5]
    # It has no line either, and the page says why; the window has the same lines.
    names = {line["name"] for panel in page.context["charts"]["panels"]["panels"] for line in panel["lines"]}
    assert not any("old.csv" in name for name in names)
    assert "old.csv begins more than a day off this session" in page.content.decode()
    window = client.get(f"/sessions/{session.pk}/recordings/window/?from_s=0&to_s=10").json()["lines"]
    assert len(window) == len(names)
