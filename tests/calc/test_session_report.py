"""How a session is worked out: evidence in its order, what is missing, one or many."""

import dataclasses
import math

import numpy as np
import pytest

from calc.catalogue import page_rows
from calc.declaration import CATALOGUE
from calc.kinds import KINDS
from calc.pack import ASSUMED_CELL_CURVE
from calc.session_facts import LimitFacts, LogFacts, PackFacts
from tests.calc.one_session import PassFacts, ReadingFacts, SessionFacts, evaluate, evaluate_all

PACK = PackFacts(
    4.2, 3.6, 2.5, 50.0, 180.0, continuous_current_a=60.0, curve=ASSUMED_CELL_CURVE, highest_temperature_c=60.0,
    lowest_temperature_c=-20.0, lowest_charging_temperature_c=0.0,
)  # fmt: skip
LIMITS = LimitFacts(highest_voltage_v=5.0, lowest_voltage_v=2.0, continuous_current_a=80.0, highest_temperature_c=100.0)
LOG = LogFacts.of_series([0.0, 1800.0, 3600.0], [4.0, 3.9, 3.8], [10.0, 10.0, 10.0])
WHOLE = SessionFacts(
    distance_m=3000.0,
    u_distance_m=30.0,
    runtime_s=600.0,
    charge_used_ah=9.0,
    u_charge_used_ah=0.2,
    energy_used_wh=33.0,
    u_energy_used_wh=0.5,
    rest_voltage_start_v=4.1,
    rest_voltage_end_v=3.8,
    air_temperature_c=-10.0,
    wind_speed_mps=2.0,
    passes=(
        PassFacts(100.0, 8.0, 0.02, 0.01, "out", (0.0, 50.0, 100.0), (0.0, 4.5, 8.0)),
        PassFacts(100.0, 9.0, 0.02, 0.01, "back"),
    ),
    readings=(
        ReadingFacts(
            60.0, 3.95, 10.0, motor_temperature_c=30.0, controller_temperature_c=20.0, battery_temperature_c=4.0
        ),
        ReadingFacts(120.0, 3.75, 50.0, motor_temperature_c=60.0),
        ReadingFacts(180.0, 3.84, 30.0),
    ),
    pack=PACK,
    controller=LIMITS,
    motor=LIMITS,
    track_width_m=1.2,
    wheelbase_m=1.8,
    single_contact="rear",
    cg_height_m=0.45,
    cg_forward_m=1.2,
)


def test_with_everything_known_nothing_is_missing_and_every_method_is_in_the_catalogue():
    page_rows()
    report = evaluate(WHOLE)
    assert report.missing == ()
    assert len(report.results) >= 28
    for result in report.results:
        assert result.kernel in CATALOGUE, result.key
        assert result.kind in KINDS
        assert result.method
        assert math.isfinite(result.value)
        assert result.u is None or result.u >= 0


def test_with_nothing_known_everything_is_missing_with_a_reason():
    report = evaluate(SessionFacts())
    assert report.results == ()
    assert {missing.key for missing in report.missing} >= {"average_gate_speed", "energy_per_distance", "range"}
    assert all(missing.needs for missing in report.missing)


def test_many_are_worked_out_as_each_alone():
    chance = np.random.default_rng(7)
    fields = [field.name for field in dataclasses.fields(SessionFacts) if field.default is None]
    many = []
    for _ in range(60):
        forgotten = {name: None for name in fields if chance.random() < 0.3}
        kept = {"passes": WHOLE.passes[: chance.integers(3)], "readings": WHOLE.readings[: chance.integers(4)]}
        log = {"log": LOG} if chance.random() < 0.2 else {}
        many.append(dataclasses.replace(WHOLE, **{**kept, **forgotten, **log}))
    reports = evaluate_all(many)
    assert len(reports) == 60
    for facts, together in zip(many, reports, strict=True):
        alone = evaluate(facts)
        assert together.missing == alone.missing
        for item, other in zip(together.results, alone.results, strict=True):
            assert item.value == pytest.approx(other.value)
            assert dataclasses.replace(item, value=0, u=None) == dataclasses.replace(other, value=0, u=None)
    speeds = reports.values("average_gate_speed")
    assert [math.isnan(value) for value in speeds] == [not facts.passes for facts in many]
    with pytest.raises(IndexError):
        reports[60]


@pytest.mark.parametrize(
    ("known", "evidence"),
    [
        ({"log": LOG}, "integrated log"),
        ({}, "meter"),
        ({"energy_used_wh": None}, "charge × mean voltage"),
        ({"energy_used_wh": None, "charge_used_ah": None}, "rest-voltage curve"),
    ],
)
def test_the_best_evidence_there_is_comes_first(known, evidence):
    report = evaluate(dataclasses.replace(WHOLE, **known))
    assert report.get("energy_used").evidence == evidence
    assert report.get("energy_per_distance").evidence == evidence
    assert bool(report.get("energy_used").improve) == (evidence in ("charge × mean voltage", "rest-voltage curve"))


def test_a_rest_voltage_of_another_pack_is_no_evidence():
    report = evaluate(dataclasses.replace(WHOLE, charge_used_ah=None, energy_used_wh=None, rest_voltage_end_v=48.0))
    assert report.get("charge_used") is None
    assert "rest voltages before and after with a battery pack" in str(report.missing)


def test_a_ride_that_gave_back_more_than_it_took():
    downhill = LogFacts.of_series([0.0, 3600.0], [4.0, 4.0], [-1.0, -1.0])
    report = evaluate(dataclasses.replace(WHOLE, log=downhill))
    assert report.get("energy_used").value == pytest.approx(-4.0)
    assert report.get("energy_per_distance").value == 0.0
    assert report.get("range") is None


@pytest.mark.parametrize(
    ("change", "name"),
    [
        ({"distance_m": -1.0}, "distance_m"),
        ({"passes": (PassFacts(100.0, 0.0, 0.0, 0.0),)}, "duration_s"),
        ({"track_width_m": -1.0}, "track_width_m"),
        ({"cg_height_m": 0.0}, "cg_height_m"),
        ({"reserve_fraction": 1.5}, "reserve_fraction"),
    ],
)
def test_impossible_facts_are_named(change, name):
    with pytest.raises(ValueError, match=name):
        evaluate(dataclasses.replace(WHOLE, **change))


def test_a_log_whose_clock_stands_still_is_refused():
    with pytest.raises(ValueError, match="time_s must grow"):
        LogFacts.of_series([0.0, 0.0], [4.0, 4.0], [1.0, 1.0])


def test_outside_the_wind_chill_formula_it_says_so():
    report = evaluate(dataclasses.replace(WHOLE, air_temperature_c=15.0))
    assert report.get("wind_chill") is None
    needs = next(missing.needs for missing in report.missing if missing.key == "wind_chill")
    assert needs == ("air at or below 10 °C, and air speed of 5 to 250 km/h",)


def test_four_contacts_have_no_three_contact_threshold_and_do_not_miss_it():
    report = evaluate(dataclasses.replace(WHOLE, single_contact=""))
    assert report.get("tip_over_threshold") is None
    assert "tip_over_threshold" not in [missing.key for missing in report.missing]


def test_what_can_hurt_carries_its_caution():
    report = evaluate(WHOLE)
    for key in ("best_gate_speed", "range", "turn_back_distance", "wind_chill", "static_stability_factor", "c_rate"):
        assert report.get(key).caution
    assert not any("safe" in result.method.lower() for result in report.results)


STANDS_84 = LimitFacts(highest_voltage_v=84.0, lowest_voltage_v=60.0, highest_temperature_c=85.0)
PACK_84 = PackFacts(84.0, 74.0, 60.0, 40.0, 2960.0)


@pytest.mark.parametrize(
    ("known", "margin", "evidence", "word"),
    [
        # Highest of what there is, by hand: 84 V less it.
        ({}, 0.0, "the full pack", "at the limit"),
        ({"rest_voltage_start_v": 86.2}, -2.2, "rest voltage before", "over"),
        ({"rest_voltage_start_v": 82.0, "rest_voltage_end_v": 85.0}, -1.0, "rest voltage after", "over"),
        ({"readings": (ReadingFacts(60.0, 84.6), ReadingFacts(90.0, 80.0))}, -0.6, "a reading", "over"),
        ({"log": LogFacts(highest_voltage_v=91.0)}, -7.0, "the log", "over"),
        ({"rest_voltage_start_v": 84.0}, 0.0, "rest voltage before", "over"),
        ({"pack": None, "rest_voltage_start_v": 83.0}, 1.0, "rest voltage before", "near the limit"),
        ({"pack": None, "rest_voltage_start_v": 81.0}, 3.0, "rest voltage before", None),
    ],
)
def test_the_highest_voltage_there_is_counts(known, margin, evidence, word):
    report = evaluate(SessionFacts(**{"pack": PACK_84, "controller": STANDS_84, "motor": STANDS_84, **known}))
    for name in ("controller", "motor"):
        result = report.get(f"{name}_voltage_margin")
        assert result.value == pytest.approx(margin)
        assert result.evidence == evidence
        assert (result.alarm and result.alarm.word) == word
    assert len(report.alarms) == (2 if word else 0)


def test_a_measured_margin_carries_the_voltmeters_doubt_and_a_data_sheets_none():
    facts = SessionFacts(pack=PACK_84, controller=STANDS_84, u_voltage_v=0.3)
    assert evaluate(facts).get("controller_voltage_margin").u == 0.0
    measured = dataclasses.replace(facts, rest_voltage_start_v=86.2)
    assert evaluate(measured).get("controller_voltage_margin").u == 0.3


def test_a_voltage_below_the_cut_off_is_said():
    pack = PackFacts(58.8, 50.4, 35.0, 30.0, 1512.0)
    report = evaluate(SessionFacts(pack=pack, controller=STANDS_84))
    assert report.get("controller_cut_off_margin").value == pytest.approx(-1.2)
    assert [alarm.sentence for alarm in report.alarms] == [
        "The full pack has 58.8 V; the controller stops at 60 V and below."
    ]
    ridden = SessionFacts(pack=PACK_84, controller=STANDS_84, readings=(ReadingFacts(60.0, 59.0, 80.0),))
    assert "The pack in a reading had 59 V; the controller stops at 60 V" in str(evaluate(ridden).alarms)


PACK_WITH_TEMPERATURES = dataclasses.replace(
    PACK_84, highest_temperature_c=60.0, lowest_temperature_c=-20.0, lowest_charging_temperature_c=0.0
)


@pytest.mark.parametrize(
    ("known", "key", "margin", "title"),
    [
        (
            {"readings": (ReadingFacts(60.0, battery_temperature_c=71.0), ReadingFacts(90.0))},
            "battery_temperature_margin", -11.0, "Hotter than the battery may be.",
        ),
        ({"log": LogFacts(battery_temperature_c=66.0)}, "battery_temperature_margin", -6.0, "Hotter than the battery"),
        (
            {"readings": (ReadingFacts(6.0, battery_temperature_c=40.0),), "log": LogFacts(battery_temperature_c=52.0)},
            "battery_temperature_margin", 8.0, None,
        ),
        (
            {"readings": (ReadingFacts(60.0, battery_temperature_c=-23.0),)},
            "battery_cold_margin", -3.0, "Colder than the battery may be.",
        ),
        ({"log": LogFacts(lowest_battery_temperature_c=-12.0)}, "battery_cold_margin", 8.0, None),
        (
            {"readings": (ReadingFacts(60.0, 80.0, -15.0, battery_temperature_c=-4.0),)},
            "battery_cold_charging_margin", -4.0, "Colder than the battery may be while it is charged.",
        ),
        (
            {"log": LogFacts(charge_ah=9.0, returned_ah=1.0, lowest_battery_temperature_c=-6.0)},
            "battery_cold_charging_margin", -6.0, "Colder than the battery may be while it is charged.",
        ),
    ],
)  # fmt: skip
def test_a_battery_temperature_reaches_its_limit(known, key, margin, title):
    report = evaluate(SessionFacts(pack=PACK_WITH_TEMPERATURES, **known))
    result = report.get(key)
    assert result.value == pytest.approx(margin)
    assert result.caution
    assert (title is None and result.alarm is None) or result.alarm.title.startswith(title)


def test_nothing_flows_back_while_a_sensor_is_only_a_little_off():
    cold = {"battery_temperature_c": -8.0}
    facts = SessionFacts(pack=PACK_WITH_TEMPERATURES, readings=(ReadingFacts(60.0, 80.0, -0.4, **cold),))
    report = evaluate(facts)
    assert report.get("battery_cold_charging_margin") is None
    assert "battery_cold_charging_margin" not in [missing.key for missing in report.missing]
    log = LogFacts(charge_ah=9.0, returned_ah=0.02, lowest_battery_temperature_c=-8.0)
    assert evaluate(dataclasses.replace(facts, readings=(), log=log)).get("battery_cold_charging_margin") is None


def test_what_lacks_for_the_centre_of_gravity_is_said_as_the_machine_says_it():
    facts = SessionFacts(track_width_m=1.2, wheelbase_m=1.8, single_contact="rear", cg_needs="the seat's place")
    needs = {missing.key: missing.needs for missing in evaluate(facts).missing}
    assert needs["static_stability_factor"] == ("the seat's place",)
    assert needs["tip_over_threshold"] == ("the seat's place",)
    with_height = dataclasses.replace(facts, cg_height_m=0.5, cg_needs="the places of the other parts")
    needs = {missing.key: missing.needs for missing in evaluate(with_height).missing}
    assert "static_stability_factor" not in needs
    assert needs["tip_over_threshold"] == ("the places of the other parts",)
