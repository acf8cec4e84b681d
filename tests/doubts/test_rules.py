"""The table of rules: what each says, what was seen wrong before, and that nothing unknown is doubted."""

import re

import numpy as np
import pytest

from calc.doubts.check import check
from calc.doubts.consequences import careful_higher, careful_lower, facts_in_doubt, without_doubtful
from calc.doubts.rules import IMPOSSIBLE, UNLIKELY, Fact, Rule, Subject
from calc.doubts.subjects import SUBJECTS
from calc.kinds import KINDS

RULES = [(subject, rule) for subject in SUBJECTS.values() for rule in subject.rules]


def keys(checked, row=0):
    return {rule.key for rule in checked.rules_of(row)}


def mend_of(checked, key, fact):
    [doubt] = [doubt for doubt in checked.doubts(0) if doubt.key == key]
    return {mend.slip.key: mend.value for mend in doubt.mends if mend.fact.name == fact}


def test_there_are_rules_for_every_subject_each_with_its_own_key():
    assert {name for name, subject in SUBJECTS.items() if subject.rules} == {
        "build", "session", "pass", "reading", "failure", "log",
    }  # fmt: skip
    assert len(RULES) >= 30
    assert len({rule.key for _, rule in RULES}) == len(RULES)


@pytest.mark.parametrize(("subject", "rule"), RULES, ids=[rule.key for _, rule in RULES])
def test_a_rule_says_what_it_compares_and_by_which_formula_and_source(subject, rule):
    assert rule.compared
    assert rule.formula
    assert rule.source
    assert rule.breach in (IMPOSSIBLE, UNLIKELY)
    assert rule.facts
    assert (rule.low is None) == (rule.below == "")
    assert (rule.high is None) == (rule.above == "")
    for sentence in filter(None, (rule.below, rule.above)):
        named = set(re.findall(r"\{(\w+)\}", sentence)) - {"value", "low", "high"}
        assert named <= set(subject.by_name), named
        assert sentence[0].isupper() or sentence[0] == "{"
        assert sentence.endswith((".", "?"))


@pytest.mark.parametrize("name", SUBJECTS)
def test_what_is_unknown_is_not_doubted(name):
    subject = SUBJECTS[name]
    assert not check(subject, {fact: np.full(5, np.nan) for fact in subject.by_name}).any_breach.any()
    assert not check(subject, {}).any_breach.any()
    assert not check(subject, dict.fromkeys(subject.by_name)).any_breach.any()


@pytest.mark.parametrize("name", SUBJECTS)
def test_every_fact_has_a_kind_that_sentences_can_write(name):
    assert {fact.kind for fact in SUBJECTS[name].by_name.values()} - set(KINDS) <= {"count", "days", "share"}


def test_35_s_of_runtime_for_35_min_is_doubted_and_set_right_with_one_tap():
    """Seen: "0:35" in a field of minutes became 35 s, and the session said 761 km/h."""
    checked = check(
        SUBJECTS["session"], {"runtime_s": 35.0, "distance_m": 7400.0, "best_pass_mps": 14.2, "energy_used_wh": 400.0}
    )
    [doubt] = [doubt for doubt in checked.doubts(0) if doubt.key == "mean_speed_over_best_pass"]
    assert doubt.sentence == (
        "The mean speed would be 761 km/h, more than twice the fastest pass (51.1 km/h): 7.4 km in 35 s."
    )
    assert mend_of(checked, "mean_speed_over_best_pass", "runtime_s")["minutes_for_seconds"] == 2100.0
    assert "mean_speed_range" in keys(checked)


def test_a_failure_at_21_min_of_a_session_of_35_s_is_doubted():
    known = {"time_into_session_s": 1260.0, "runtime_s": 35.0}
    assert keys(check(SUBJECTS["failure"], known)) == {"failure_late_for_runtime"}
    assert keys(check(SUBJECTS["failure"], known | {"elapsed_s": 35.0})) == {
        "failure_after_end",
        "failure_late_for_runtime",
    }
    # With the runtime that was meant, nothing is odd.
    assert not keys(check(SUBJECTS["failure"], known | {"runtime_s": 2100.0}))


def test_a_log_column_in_millivolts_is_doubted_with_and_without_a_pack():
    """Seen: a column Voltage_mV gave 52,460 V and 4.5 GW."""
    pack = {"pack_full_voltage_v": 58.8, "pack_empty_voltage_v": 35.0}
    checked = check(SUBJECTS["log"], {"highest_voltage_v": 52460.0, **pack})
    assert {"log_voltage_over_pack", "log_voltage_range"} <= keys(checked)
    assert mend_of(checked, "log_voltage_over_pack", "highest_voltage_v") == {"millivolts": 52.46}
    assert keys(check(SUBJECTS["log"], {"highest_voltage_v": 52460.0})) == {"log_voltage_range"}


def test_gearing_below_what_was_measured_is_doubted():
    """Seen: "top speed by the gearing 48 km/h" while 51 was measured."""
    gearing = {
        "motor_constant_rpm_per_v": 75.0, "module_full_voltage_v": 58.8, "series": 1.0,
        "rolling_circumference_m": 1.29, "drive_ratio": 75.0 * 58.8 * 1.29 / 60.0 / (48.0 / 3.6),
    }  # fmt: skip
    assert keys(check(SUBJECTS["build"], gearing | {"fastest_pass_mps": 51.0 / 3.6})) == {"gearing_under_measured"}
    assert not keys(check(SUBJECTS["build"], gearing | {"fastest_pass_mps": 47.0 / 3.6}))


def test_only_slips_whose_value_breaks_no_rule_are_offered():
    checked = check(
        SUBJECTS["session"],
        {"charge_used_ah": 12000.0, "energy_used_wh": 610.0, "pack_capacity_ah": 60.0, "pack_energy_wh": 3024.0,
         "pack_full_voltage_v": 58.8, "pack_nominal_voltage_v": 50.4, "pack_empty_voltage_v": 35.0},
    )  # fmt: skip
    assert mend_of(checked, "charge_over_capacity", "charge_used_ah") == {"milliampere_hours": 12.0}
    for doubt in checked.doubts(0):
        for mend in doubt.mends:
            mended = check(SUBJECTS["session"], {**_known(checked), mend.fact.name: mend.value})
            assert not any(mend.fact.name in rule.facts for rule in mended.rules_of(0))


def _known(checked):
    return {name: getattr(checked.columns, name)[0] for name in checked.columns.names}


def test_a_wheel_counter_that_was_not_reset_is_set_right_by_the_session_before():
    checked = check(
        SUBJECTS["session"],
        {"distance_m": 61_500.0, "previous_distance_m": 54_000.0, "runtime_s": 1500.0, "best_pass_mps": 14.0},
    )
    assert mend_of(checked, "mean_speed_over_best_pass", "distance_m")["counter_not_reset"] == 7500.0


def test_sentences_follow_the_reader_s_units():
    checked = check(SUBJECTS["session"], {"rider_mass_kg": 390.0})
    assert checked.doubts(0, "imperial")[0].sentence == "The rider would weigh 860 lb, dressed."


def test_20000_sessions_are_one_call_whose_rows_answer_as_each_alone():
    chance = np.random.default_rng(7)
    known = {
        "runtime_s": np.exp(chance.uniform(0, 12, 20_000)), "distance_m": np.exp(chance.uniform(0, 12, 20_000)),
        "rest_voltage_start_v": np.where(chance.random(20_000) < 0.3, np.nan, chance.uniform(1, 90, 20_000)),
        "pack_full_voltage_v": 58.8, "pack_empty_voltage_v": 35.0,
    }  # fmt: skip
    checked = check(SUBJECTS["session"], known)
    assert checked.breached.shape == (len(SUBJECTS["session"].rules), 20_000)
    for row in (0, 17, 19_999):
        alone = check(
            SUBJECTS["session"], {name: np.ravel(value)[min(row, np.size(value) - 1)] for name, value in known.items()}
        )
        assert keys(alone) == keys(checked, row)


def test_a_fact_that_no_subject_has_is_refused():
    with pytest.raises(ValueError, match="There is no fact 'runtime_min'"):
        check(SUBJECTS["session"], {"runtime_min": 3.0})
    with pytest.raises(ValueError, match="2 and 3 rows"):
        check(SUBJECTS["session"], {"runtime_s": [1.0, 2.0], "distance_m": [1.0, 2.0, 3.0]})
    with pytest.raises(ValueError, match="puts nothing_like_it in doubt"):
        Subject(
            "invented",
            (Fact("a", "a", "ratio"),),
            (),
            (Rule("k", "c", "f", UNLIKELY, ("nothing_like_it",), "ratio", lambda c: c.a),),
        )
    with pytest.raises(AttributeError, match="no fact of this subject"):
        _ = SUBJECTS["session"].columns({}).runtime_min


def test_a_confirmed_rule_puts_nothing_in_doubt_and_others_still_do():
    checked = check(SUBJECTS["session"], {"rider_mass_kg": [300.0, 300.0], "air_temperature_c": [70.0, 20.0]})
    masks = facts_in_doubt(checked, {0: ["rider_mass"]})
    assert masks["rider_mass_kg"].tolist() == [False, True]
    assert masks["air_temperature_c"].tolist() == [True, False]


def test_a_fact_that_nobody_noted_is_not_in_doubt():
    checked = check(SUBJECTS["session"], {"distance_m": 9e6, "charge_used_ah": np.nan})
    assert set(facts_in_doubt(checked)) == {"distance_m"}


def test_doubtful_numbers_become_unknown_and_results_on_them_are_marked():
    numbers = {"distance_m": np.array([1.0, 2.0]), "runtime_s": np.array([3.0, 4.0])}
    masks = {"distance_m": np.array([True, False])}
    np.testing.assert_array_equal(without_doubtful(numbers, masks)["distance_m"], [np.nan, 2.0])
    assert numbers["distance_m"].tolist() == [1.0, 2.0]


def test_a_doubt_makes_no_guard_less_careful():
    with_it, without = np.array([500.0, 800.0, 300.0]), np.array([400.0, 900.0, np.nan])
    lower = careful_lower(with_it, without)
    np.testing.assert_array_equal(lower, [400.0, 800.0, np.nan])
    assert not np.any(lower > with_it)
    assert not np.any(lower > without)
    assert careful_higher(86.0, np.nan) == 86.0
