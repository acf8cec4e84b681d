"""What the field page says is left: whole answers against a second way of working them out, and against the server."""

import json
import random

import pytest
from geographiclib.geodesic import Geodesic

from calc.cell_curve import StateOfChargeCurve
from calc.session_facts import PackFacts
from tests.browser.assemblies import ASSUMPTIONS, FILE, PACK, answer, given, loaded, reading, written
from tests.calc.one_session import ReadingFacts, SessionFacts, evaluate

CASES = json.loads(FILE.read_text())["cases"]


def of_the_page(script, facts):
    return script("(facts) => energy.assemble(facts)", facts)


def assert_alike(text, expected):
    for part in ("left", "turn", "consumption"):
        if expected.get(part) is None:
            assert text.get(part) is None, part
        else:
            assert {name: text[part][name] for name in ("value", "u")} == pytest.approx(
                expected[part], rel=1e-9, abs=1e-6
            )
    if expected.get("home"):
        assert text["home"]["by"] == expected["home"]["by"]
        for name in ("distance_m", "wh_per_km"):
            assert text["home"][name] == pytest.approx(expected["home"][name])
    if "at_most" in expected:
        assert text["at_most"] is expected["at_most"]


def test_the_file_is_what_the_second_way_gives():
    """Written by `python -m tests.browser.assemblies`, never by hand."""
    assert FILE.read_text() == written()


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_the_page_gives_the_whole_answer(case, script):
    assert_alike(of_the_page(script, case["facts"]), case["expected"])


def test_random_rides_are_answered_alike(script):
    chance = random.Random(1618)
    for _ in range(150):
        readings, seen_m, unseen_m, charge_ah, counter_m = [], 0.0, 0.0, 0.0, 0.0
        for number in range(chance.randint(0, 6)):
            seen_m += chance.uniform(0, 4000)
            unseen_m += chance.choice([0.0, chance.uniform(0, 3000)])
            charge_ah += chance.uniform(0, 6)
            counter_m += chance.uniform(0, 5000)
            if chance.random() < 0.1:
                counter_m = chance.uniform(0, 500)
            values = {
                "charge_used_ah": charge_ah,
                "distance_m": counter_m,
                "voltage_v": chance.uniform(46, 56),
                "current_a": chance.uniform(-5, 90),
            }
            values = {name: value for name, value in values.items() if chance.random() < 0.6}
            way = {"seen_m": seen_m, "unseen_m": unseen_m, "whole": unseen_m == 0.0}
            readings.append(reading(number, **way, **values))
        open_m = chance.choice([0.0, chance.uniform(0, 2000)])
        facts = given("read at home") | {
            "readings": readings,
            "earlier": chance.choice([None, {"wh_per_km": chance.uniform(20, 90), "u_wh_per_km": 7.0, "sessions": 2}]),
            "rest_voltage_start_v": chance.choice([None, chance.uniform(45, 60)]),
            "air_temperature_c": chance.choice([None, chance.uniform(-35, 30)]),
            "battery_temperatures": chance.choice(
                [[], [["0", chance.uniform(-20, 35)], ["1", chance.uniform(-20, 35)]]]
            ),
            "doubted": chance.choice(
                [{}, {"2": ["charge_used_ah"]}, {"1": ["distance_m", "voltage_v"], "session": ["air_temperature_c"]}]
            ),
            "way": {
                "seen_m": seen_m + chance.uniform(0, 6000),
                "unseen_m": unseen_m + open_m,
                "open_m": open_m,
                "home_m": chance.choice([None, open_m + chance.uniform(0, 6000)]),
            },
        }
        assert_alike(of_the_page(script, facts), answer(facts))


SERVER = {
    "read at home": {"charge_used_ah": 6.0, "distance_m": 5000.0},
    "rest voltage before": {"charge_used_ah": 6.0, "distance_m": 5000.0, "rest_voltage_start_v": 56.3},
    "two voltages": {
        "charge_used_ah": 6.0,
        "distance_m": 5000.0,
        "readings": ((50.9, 20.0), (49.9, 45.0)),
    },
    "five voltages": {
        "charge_used_ah": 21.0,
        "distance_m": 17000.0,
        "readings": ((50.9, 20.0), (49.9, 45.0), (48.7, 80.0), (50.2, 30.0), (49.0, 61.0)),
        "rest_voltage_start_v": 57.7,
    },
    "one voltage": {"charge_used_ah": 6.0, "distance_m": 5000.0, "readings": ((50.9, 20.0),)},
    "in the cold": {
        "charge_used_ah": 6.0,
        "distance_m": 5000.0,
        "rest_voltage_start_v": 57.7,
        "air_temperature_c": -18.0,
    },
    "at the reserve": {"charge_used_ah": 38.4, "distance_m": 35000.0},
    "nothing left": {"charge_used_ah": 60.0, "distance_m": 35000.0},
}


@pytest.mark.parametrize("name", SERVER)
def test_at_a_reading_the_page_says_what_the_server_says(name, script):
    """The same facts, at home and with nothing ridden since: one answer by both."""
    facts = dict(SERVER[name])
    volts = facts.pop("readings", ())
    charge_ah, distance_m = facts["charge_used_ah"], facts["distance_m"]
    curve = StateOfChargeCurve(*(tuple(PACK["curve"][key]) for key in ("state_of_charge", "voltage_v")))
    report = evaluate(
        SessionFacts(
            **facts,
            u_distance_m=0.02 * distance_m,
            u_charge_used_ah=0.02 * charge_ah,
            readings=tuple(ReadingFacts(10.0 * i, *pair) for i, pair in enumerate(volts)),
            pack=PackFacts(58.8, 50.4, 35.0, 48.0, 2419.2, curve=curve),
            u_voltage_v=ASSUMPTIONS["u_voltage_v"],
            u_rest_charge_fraction=ASSUMPTIONS["u_rest_charge_fraction"],
            reserve_fraction=ASSUMPTIONS["reserve_fraction"],
            cold_loss_per_c_fraction=ASSUMPTIONS["cold_loss_per_c_fraction"],
        )
    )
    page = of_the_page(
        script,
        given("read at home")
        | {
            "rest_voltage_start_v": facts.get("rest_voltage_start_v"),
            "air_temperature_c": facts.get("air_temperature_c"),
            "readings": [reading(1, charge_used_ah=charge_ah, distance_m=distance_m), *loaded(*volts)],
        },
    )
    for part, key in (("left", "energy_left"), ("turn", "turn_back_distance"), ("consumption", "energy_per_distance")):
        expected = report.get(key)
        assert (page[part]["value"], page[part]["u"]) == pytest.approx((expected.value, expected.u), rel=1e-9, abs=1e-6)


def ride(script, fixes, mps=10.0, accuracy=5):
    """The way after positions as (seconds, metres east, metres north) of the start, and as it stands at each."""
    rows = []
    for at_s, east_m, north_m in fixes:
        bearing = Geodesic.WGS84.Direct(61.05, 24.9, 90, east_m)
        place = Geodesic.WGS84.Direct(bearing["lat2"], bearing["lon2"], 0, north_m)
        rows.append([at_s, place["lat2"], place["lon2"]])
    return script(
        """([fixes, mps, accuracy]) => {
            let held = way.beginWay();
            return fixes.map(([at_s, latitude, longitude]) => {
                const before = way.wayNow(held, at_s, mps);
                held = way.withFix(held, { latitude, longitude, accuracy }, at_s, mps, before.seen_m + before.unseen_m);
                return { ...way.wayNow(held, at_s, mps), speed: way.highestSpeed(held), points: held.points.length };
            });
        }""",
        [rows, mps, accuracy],
    )


def out_at(speed, until_s, every_s=1, start_s=1):
    return [(at_s, speed * at_s, 0.0) for at_s in range(start_s, until_s + 1, every_s)]


def test_straight_out_the_way_home_is_the_way_out(script):
    # Geodesic lengths by geographiclib 2.1, WGS84: 600 s at 12 m/s.
    rows = ride(script, [(0, 0.0, 0.0), *out_at(12.0, 600)])
    assert rows[-1]["seen_m"] == pytest.approx(7200, rel=2e-3)
    assert rows[-1]["home_m"] == pytest.approx(7200, rel=2e-3)
    assert rows[-1]["unseen_m"] == 0
    assert rows[-1]["speed"] == {"mps": pytest.approx(12.0, rel=1e-2), "from": "track"}
    assert rows[-1]["whole"] is True


def test_round_a_headland_the_way_home_is_the_way_ridden_not_the_straight_line(script):
    fixes = [(0, 0.0, 0.0), *[(t, 10.0 * t, 0.0) for t in range(1, 201)]]
    fixes += [(200 + t, 2000.0, 10.0 * t) for t in range(1, 201)]
    last = ride(script, fixes)[-1]
    assert last["home_m"] == pytest.approx(4000, rel=1e-2)
    assert last["straight_m"] == pytest.approx(2000 * 2**0.5, rel=1e-2)


def test_passes_up_and_down_a_straight_do_not_lengthen_the_way_home(script):
    """Two kilometres out, then 20 passes of 300 m: what was ridden grows, the way home along the track does not."""
    fixes, at_s = [(0, 0.0, 0.0), *out_at(10.0, 200)], 200
    for _ in range(10):
        for step in [*range(1, 31), *range(29, -1, -1)]:
            at_s += 1
            fixes.append((at_s, 2000.0 + 10.0 * step, 0.0))
    last = ride(script, fixes)[-1]
    assert last["seen_m"] == pytest.approx(8000, rel=1e-2)
    assert last["home_m"] == pytest.approx(2000, abs=45)


def test_what_was_not_seen_is_counted_at_the_speed_and_stays_counted(script):
    # 60 s without a position at 10 m/s are 600 m; 200 m of them were seen to be covered in a straight line.
    rows = ride(script, [(0, 0.0, 0.0), *out_at(10.0, 100), (160, 1200.0, 0.0)])
    assert rows[-1]["seen_m"] == pytest.approx(1200, rel=2e-3)
    assert rows[-1]["unseen_m"] == pytest.approx(400, abs=3)
    assert rows[-1]["home_m"] == pytest.approx(1600, abs=6)
    assert rows[-1]["whole"] is False


@pytest.mark.parametrize(("silent_s", "unseen_m"), [(29, 0), (30, 0), (31, 310), (720, 7200)])
def test_after_30_s_of_silence_all_of_it_counts(script, silent_s, unseen_m):
    text = script("([at_s]) => way.wayNow(way.beginWay(), at_s, 10)", [silent_s])
    assert (text["unseen_m"], text["home_m"]) == (unseen_m, None)


def test_standing_still_a_wandering_position_is_no_way(script):
    wander = [(t, 12.0 * (-1) ** t, 9.0 * (-1) ** (t // 2)) for t in range(1, 600)]
    last = ride(script, [(0, 0.0, 0.0), *wander], accuracy=31)[-1]
    assert (last["seen_m"], last["home_m"], last["unseen_m"]) == (0, 0, 0)
    # The same steps with positions that are good to a metre are ridden.
    assert ride(script, [(0, 0.0, 0.0), *wander], accuracy=1)[-1]["seen_m"] > 10_000


def test_a_jump_of_the_satellite_is_not_taken_for_a_speed(script):
    rows = ride(script, [(0, 0.0, 0.0), (11, 5000.0, 0.0)])
    assert rows[-1]["speed"]["from"] == "nothing"
    best = script("() => way.highestSpeed(way.beginWay(), [9, 14], 8)")
    assert best == {"mps": 14, "from": "passes"}


def test_the_words_say_from_when_the_evidence_is(script):
    from calc.kinds import KINDS
    from sessions.field.reference import _unit

    units = {name: _unit(name, "metric") for name in KINDS}
    call = "([facts, known, units]) => energy.inWords(energy.assemble(facts), known, units)"

    def words(name, **known):
        way = {"silent_s": 0, "straight_m": 8300.0, **given(name)["way"]}
        values = {"way": way, "since_s": 725, "speed": {"mps": 11.0, "from": "track"}, "track_on": True, "ended": False}
        values |= {"earlier_sessions": 3, "reserve_fraction": 0.2, **known}
        return script(call, [given(name), values, units])

    text = words("nothing read, 8.3 km out")
    assert text["left"] == "assumed full at the start; estimated since, 12 min"
    assert text["turn"] == "at that of 3 earlier sessions, 20 % of the pack in reserve"
    assert text["way"] == "Way home 8.3 km by your own track."
    text = words("read without a track, 12 min ago", track_on=False)
    assert text["way"] == (
        "No track: way home assumed to be all that was ridden, 14 km, at 66 Wh/km at most. "
        "8.6 km not seen; a reading of charge and distance settles it."
    )
    way = {"silent_s": 45, "straight_m": 6100.0, "home_m": 8795.0}
    text = words("read, then 45 s without a position at 11 m/s", way=way)
    assert text["way"].startswith(
        "Way home 8.8 km by your own track. No position for 45 s: counted down at 40 km/h, the highest speed lately."
    )
    way = {"silent_s": 0, "straight_m": 6100.0, "home_m": 8300.0}
    assert words("read at home, then 8.3 km straight out", way=way)["way"] == (
        "Way home 8.3 km by your own track (6.1 km straight)."
    )
    assert words("charge without a distance, no earlier ride")["left"] == (
        "at most: assumed full at the start; what was ridden since, 12 min, is not subtracted"
    )
    assert "counter went back" in words("the trip counter went back")["way"]
    assert words("at the reserve")["turn"].startswith("turn back now")
    ended = words("read at home", ended=True)
    assert (ended["left"], ended["turn"]) == (
        "assumed full at the start; as the session ended",
        "the session has ended",
    )
    assert words("no pack")["left"] == "needs a battery pack on the revision"
