"""The phone and the server compute the same: one file of vectors, and random numbers, run in both."""

import importlib
import json
import math
import random
from pathlib import Path

import numpy as np
import pytest

from calc import ice
from calc.cell_curve import StateOfChargeCurve
from calc.kinds import KINDS
from calc.quantities import NotUnderstood, in_shown_unit, understand, written
from calc.session_facts import LimitFacts, PackFacts
from calc.speed import gate_speed
from sessions.evidence.timing import duration_u_s
from tests.calc.one_session import ReadingFacts, SessionFacts, evaluate

VECTORS = json.loads((Path(__file__).parent / "vectors.json").read_text())
IN_SCRIPT = {
    "timing.frame_clock_s": "frameClock",
    "timing.frame_duration_u_s": "frameDurationU",
    "timing.stopwatch_duration": "stopwatchDuration",
    "speed.gate_speed": "gateSpeed",
    "speed.two_way_mean": "twoWayMean",
    "energy.energy_from_charge": "energyFromCharge",
    "endurance.energy_left_wh": "energyLeft",
    "endurance.runtime_s": "runtimeLeft",
    "endurance.turn_back_distance": "turnBackDistance",
    "pack.state_of_charge": "stateOfCharge",
    "pack.cold_capacity_ah": "coldCapacity",
    "uncertainty.widened_u": "widenedU",
    "geodesy.distance_m": "legLength",
    "voltage_limits.voltage_state": "voltageState",
    "voltage_limits.is_cut_off": "isCutOff",
}


def in_python(name, given):
    module, function = name.split(".")
    given = dict(given)
    if "curve" in given:
        given["curve"] = StateOfChargeCurve(**{key: tuple(row) for key, row in given["curve"].items()})
    answer = getattr(importlib.import_module(f"calc.{module}"), function)(**given)
    return answer._asdict() if hasattr(answer, "_asdict") else {"value": answer}


def in_script(script, name, given):
    if name == "geodesy.distance_m":
        call = "(given) => numbers.legLength(given.lat1_deg, given.lon1_deg, given.lat2_deg, given.lon2_deg)"
    else:
        call = f"(given) => {'limits' if name.startswith('voltage_limits') else 'numbers'}.{IN_SCRIPT[name]}(given)"
    answer = script(call, given)
    return answer if isinstance(answer, dict) else {"value": answer}


@pytest.mark.parametrize("case", VECTORS["cases"], ids=lambda case: case["kernel"])
def test_both_meet_the_vectors(case, script):
    tolerance = case.get("relative", 1e-12)
    for answer in (in_python(case["kernel"], case["given"]), in_script(script, case["kernel"], case["given"])):
        for part, expected in case["expected"].items():
            assert answer[part] == pytest.approx(expected, rel=tolerance, abs=1e-12), case["source"]


def test_every_calculation_of_the_phone_has_a_vector():
    assert {case["kernel"] for case in VECTORS["cases"]} == set(IN_SCRIPT)


def test_both_agree_on_random_numbers(script):
    chance = random.Random(20261125)
    for _ in range(200):
        given = {
            "energy_left_wh": chance.uniform(0, 4000),
            "usable_energy_wh": chance.uniform(1000, 4000),
            "reserve_fraction": chance.uniform(0, 0.5),
            "consumption_out_wh_per_km": chance.uniform(10, 120),
            "consumption_home_wh_per_km": chance.uniform(10, 120),
            "u_energy_left_wh": chance.uniform(0, 300),
            "u_consumption_out_wh_per_km": chance.uniform(0, 20),
            "u_consumption_home_wh_per_km": chance.uniform(0, 20),
            "distance_from_home_m": chance.uniform(0, 8000),
            "consumption_correlation": chance.uniform(-1, 1),
            "energy_consumption_correlation": chance.uniform(-1, 1),
        }
        assert in_script(script, "endurance.turn_back_distance", given) == pytest.approx(
            in_python("endurance.turn_back_distance", given), rel=1e-9, abs=1e-6
        )
        given = {"u": chance.uniform(0, 3), "dof": chance.randint(1, 60)}
        assert in_script(script, "uncertainty.widened_u", given) == pytest.approx(
            in_python("uncertainty.widened_u", given), rel=1e-9
        )
        given = {"distance_m": chance.uniform(1, 400), "duration_s": chance.uniform(0.5, 90),
                 "u_distance_m": chance.uniform(0, 2), "u_duration_s": chance.uniform(0, 1)}  # fmt: skip
        assert in_script(script, "speed.gate_speed", given) == pytest.approx(in_python("speed.gate_speed", given))


def test_both_work_a_pass_out_alike(script):
    """The whole answer: the length of the gate, the uncertainty of the time by its method, and the speed."""
    chance = random.Random(20261127)
    for _ in range(60):
        places = sorted(chance.uniform(0, 300) for _ in range(chance.randint(2, 4)))
        given = {
            "positions_m": places, "u_distance_m": chance.uniform(0.0, 1.0), "duration_s": chance.uniform(1.0, 60.0),
            "method": chance.choice(["stopwatch", "video", "satellite"]),
            "frames_per_s": chance.choice([None, 30.0, 240.0]),
            "u_press_s": chance.uniform(0.05, 0.4), "u_duration_s": chance.choice([None, 0.15]),
        }  # fmt: skip
        u_s = duration_u_s(
            np.array([given["method"]]), np.array([given["frames_per_s"]], dtype=float),
            np.array([given["u_duration_s"]], dtype=float), given["u_press_s"], np.array([given["duration_s"]]),
            np.array([places[-1] - places[0]]),
        )  # fmt: skip
        speed = gate_speed(places[-1] - places[0], given["duration_s"], given["u_distance_m"], float(u_s[0]))
        answer = script("(given) => numbers.passSpeed(given)", given)
        assert (answer["value"], answer["u"]) == (pytest.approx(speed.value), pytest.approx(speed.u))
        assert answer["u_duration_s"] == pytest.approx(float(u_s[0]))


@pytest.mark.parametrize("white_ice", [False, True])
def test_both_compare_ice_with_the_same_guidelines(script, white_ice):
    guidelines = [row._asdict() for row in ice.GUIDELINES]
    published = [row.thickness_cm * factor for row in ice.GUIDELINES for factor in (1, 2)]
    for thickness_cm in [0.0, 7.5, 13.0, 60.0, *published]:
        rows = script("(given) => limits.guidelineRows(given)", {
            "thickness_cm": thickness_cm, "white_ice": white_ice, "guidelines": guidelines,
        })  # fmt: skip
        assert rows == [row._asdict() for row in ice.guideline_rows(thickness_cm, white_ice)]


LIMITS = {
    "highest_voltage_v": [["controller", 84.0], ["motor", 90.0]],
    "cut_off_v": 60.0,
    "highest_temperature_c": [["battery", 60.0], ["controller", 85.0]],
    "lowest_battery_temperature_c": -20.0,
}


def session_alarms(name, value):
    """What the session's page says of it: the same facts, and the same whole answer."""
    controller = LimitFacts(highest_voltage_v=84.0, lowest_voltage_v=60.0, highest_temperature_c=85.0)
    pack = PackFacts(75.6, 70.0, 61.0, 40.0, 2800.0, highest_temperature_c=60.0, lowest_temperature_c=-20.0)
    known = {name: value} if name.startswith("rest") else {"readings": (ReadingFacts(60.0, **{name: value}),)}
    facts = SessionFacts(pack=pack, controller=controller, motor=LimitFacts(highest_voltage_v=90.0), **known)
    return [[alarm.title, alarm.sentence] for alarm in evaluate(facts).alarms]


@pytest.mark.parametrize("case", VECTORS["alarms"], ids=lambda case: f"{case['name']} {case['value']}")
def test_both_say_the_same_of_a_passed_limit(case, script):
    call = "([known, name, value, units]) => limits.alarmsOf(known, name, value, units)"
    text = script(call, [LIMITS, case["name"], case["value"], units("metric")])
    assert [title for title, _ in text] == case["expected"], case["source"]
    assert sorted(text) == sorted(session_alarms(case["name"], case["value"]))


@pytest.mark.parametrize("case", VECTORS["typed"], ids=lambda case: repr(case["typed"]))
def test_both_read_what_people_type(case, script):
    call = "(typed) => { try { return numbers.readNumber(typed); } catch (error) { return error.message; } }"
    read = script(call, case["typed"])
    if case["expected"] is None:
        assert isinstance(read, str)
        assert read
        if not case.get("phone_only"):
            with pytest.raises(NotUnderstood):
                understand(case["typed"], "voltage")
    else:
        assert read == case["expected"]
        assert understand(case["typed"], "temperature") == case["expected"]


@pytest.mark.parametrize("case", VECTORS["clocks"], ids=lambda case: f"{case['typed']} {case['kind']}")
def test_both_read_a_clock_alike(case, script):
    call = """([text, kind, units]) => { try { return numbers.readQuantity(
        text, { kind, label: "x", low: 0, includes_low: true, high: null }, units); } catch { return null; } }"""
    assert script(call, [case["typed"], case["kind"], units("metric")]) == case["expected"], case["source"]
    if case["expected"] is None:
        with pytest.raises(NotUnderstood):
            understand(case["typed"], case["kind"])
    else:
        assert understand(case["typed"], case["kind"]) == case["expected"]


def units(system):
    from sessions.field.reference import _unit

    return {name: _unit(name, system) for name in KINDS}


@pytest.mark.parametrize("case", VECTORS["written"], ids=lambda case: case["expected"])
def test_both_write_the_same(case, script):
    assert written(case["value"], case["kind"], u=case["u"]) == case["expected"]
    call = "([value, kind, units, u]) => numbers.written(value, kind, units, u)"
    assert script(call, [case["value"], case["kind"], units("metric"), case["u"]]) == case["expected"]


@pytest.mark.parametrize("system", ["metric", "imperial"])
def test_both_write_random_quantities_alike(script, system):
    chance = random.Random(7)
    table = units(system)
    rows = []
    for kind in [
        "speed",
        "trip",
        "distance",
        "charge",
        "energy",
        "voltage",
        "temperature",
        "mass",
        "thickness",
        "runtime",
    ]:
        for _ in range(40):
            u = chance.choice([0.0, 10 ** chance.uniform(-3, 1)])
            # Python rounds half to even on the exact binary value, and so does toFixed: no ties are made here.
            rows.append([round(chance.uniform(-50, 5000), 7), kind, u])
    sentence = script(
        "([rows, units]) => rows.map(([value, kind, u]) => numbers.written(value, kind, units, u))", [rows, table]
    )
    for (value, kind, u), text in zip(rows, sentence, strict=True):
        assert text == written(value, kind, system, u), (value, kind, u)


def test_the_units_a_phone_takes_along_are_the_shown_ones():
    for system in ("metric", "imperial"):
        for kind, unit in units(system).items():
            for value in (-3.0, 0.0, 12.5):
                shown = value * unit["factor"] + unit["offset"]
                assert math.isclose(shown, in_shown_unit(value, kind, system), rel_tol=1e-12, abs_tol=1e-9), kind
