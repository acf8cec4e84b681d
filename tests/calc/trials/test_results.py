"""What a page gets of each question: answers, reasons and cautions in words."""

import numpy as np

from calc.trials.answers import Answer, Expectation, Outcome
from calc.trials.columns import Columns, Covariate, Factor
from calc.trials.looks import Question
from calc.trials.results import answer_questions
from calc.trials.separation import LeftOut
from tests.calc.trials.logs import NAN, SPEED, log_of, season_log


def ask(log, **changes):
    asked = Question(**{"measure": "mean_gate_speed", "revision": 1, "against": 0} | changes)
    (result,) = answer_questions({"mean_gate_speed": log}, [asked])
    return result


def ridden(number, first_day, surfaces, temperatures, level=10.0):
    random = np.random.default_rng(number)
    return [
        (number, first_day + place, level * (1 + 0.01 * random.standard_normal()), surface, temperature)
        for place, (surface, temperature) in enumerate(zip(surfaces, temperatures, strict=True))
    ]


MIXED = ["snow", "clear ice"] * 3
COLD, MILD = [-18, -15, -16, -14, -17, -16], [-5, -3, -8, -4, -6, -11]


def test_a_clear_change_with_its_figures():
    log = log_of(ridden(0, 0, MIXED, MILD) + ridden(1, 6, MIXED, MILD[::-1], level=11.0))
    result = ask(log, expectation=Expectation(1, 0.08))
    assert (result.answer, result.outcome, result.reason) == (Answer.HIGHER, Outcome.AS_EXPECTED, "")
    assert result.figures.lower < 0.1 < result.figures.upper
    assert result.figures.confidence > 0.95
    assert result.evidence.ledger.confidence == 0.95
    assert result.evidence.ledger.lower < 0.1 < result.evidence.ledger.upper
    assert (result.evidence.values, result.evidence.against_values) == (6, 6)
    assert result.evidence.adjusted_for == ("surface", "air temperature")
    assert result.decided.answer is Answer.HIGHER
    assert result.decided.day == 9


def test_no_surface_in_common():
    log = log_of(ridden(0, 0, ["clear ice"] * 6, MILD) + ridden(1, 6, ["snow"] * 6, MILD, level=12.0))
    result = ask(log)
    assert result.answer is Answer.NOT_SEPARABLE
    assert result.reason == "R2 and R1 have no surface in common (R2: snow; R1: clear ice)."
    assert result.evidence.left_out == (
        LeftOut("ridden with no other revision (surface: clear ice)", 6),
        LeftOut("ridden with no other revision (surface: snow)", 6),
    )


def test_one_temperature_each_cannot_be_told_from_the_build():
    log = log_of(ridden(0, 0, MIXED, [-4] * 6) + ridden(1, 6, MIXED, [-14] * 6, level=12.0))
    result = ask(log)
    assert result.answer is Answer.NOT_SEPARABLE
    assert result.reason == "All sessions of R2 were colder than those of R1 (air temperature −14 °C against −4 °C)."
    assert result.figures is None


def test_far_apart_and_hardly_varying_is_not_separable_either():
    hardly = [-14.0, -14.1, -14.0, -14.1, -14.0, -14.1]
    log = log_of(ridden(0, 0, MIXED, [ten + 10 for ten in hardly]) + ridden(1, 6, MIXED, hardly, level=12.0))
    result = ask(log)
    assert result.answer is Answer.NOT_SEPARABLE
    assert "colder than those of R1 (air temperature −14 °C against −4 °C)" in result.reason


def test_colder_but_separable_is_a_caution():
    log = log_of(ridden(0, 0, MIXED, MILD) + ridden(1, 6, MIXED, COLD, level=12.0))
    result = ask(log)
    assert result.answer is not Answer.NOT_SEPARABLE
    assert (
        "All sessions of R2 were colder than those of R1 (air temperature −18 to −14 °C against −11 to −3 °C)."
        in result.evidence.cautions
    )
    assert any(words.startswith("The interval is") for words in result.evidence.cautions)


def test_conditions_that_only_together_changed_with_the_build():
    """Rider and wind overlap, but their sum tells the two builds apart."""
    rider = np.array([70, 78, 84, 74, 88, 80, 72, 90, 82, 76, 86, 79.0])
    wind = np.where(np.arange(12) < 6, 100 - rider, 104 - rider)
    log = log_of(ridden(0, 0, MIXED, MILD) + ridden(1, 6, MIXED, MILD))
    log = Columns(
        log.measure, log.value, log.passes, log.session, log.day, log.revision, log.revisions, log.factors,
        (*log.covariates, Covariate("rider", rider), Covariate("wind", wind)),
    )  # fmt: skip
    result = ask(log)
    assert result.answer is Answer.NOT_SEPARABLE
    assert result.reason == (
        "What the change from R1 to R2 did cannot be told from what changed with it: rider and wind."
    )


def test_too_few_values_are_counted():
    log = log_of(ridden(0, 0, MIXED, MILD) + ridden(1, 6, MIXED[:3], MILD[:3], level=20.0))
    result = ask(log)
    assert (result.answer, result.reason) == (Answer.NOT_YET_KNOWN, "R2 has 3 of the 4 values that a claim needs.")


def test_no_value_yet():
    log = log_of(ridden(0, 0, MIXED, MILD), revisions=("R1", "R2"))
    result = ask(log)
    assert (result.answer, result.reason) == (Answer.NOT_YET_KNOWN, "R2 has no value yet.")
    assert result.plan.planned == 6


def test_an_empty_log():
    log = log_of(ridden(0, 0, MIXED, MILD)).up_to(0)
    log = Columns(log.measure, log.value, log.passes, log.session, log.day, log.revision, ("R1", "R2"))
    result = ask(log)
    assert (result.answer, result.reason, result.plan) == (Answer.NOT_YET_KNOWN, "R2 has no value yet.", None)


def test_too_few_values_for_the_conditions():
    log = log_of(ridden(0, 0, MIXED[:2], MILD[:2]) + ridden(1, 2, MIXED[:4], MILD[1:5], level=20.0))
    result = ask(log)
    assert result.answer is Answer.NOT_YET_KNOWN
    assert result.reason == (
        "6 values are too few to allow for revisions, surface and air temperature; at least 1 more are needed."
    )


def test_what_lacks_a_condition_is_left_out_and_counted():
    rows = ridden(0, 0, MIXED, MILD) + ridden(1, 6, ["snow", None, "clear ice", "snow", "clear ice", "snow"], MILD)
    rows[2] = (*rows[2][:4], NAN)
    rows.append((1, 12, NAN, "snow", -4))
    result = ask(log_of(rows))
    assert result.evidence.left_out == (
        LeftOut("without a value", 1),
        LeftOut("without a recorded surface", 1),
        LeftOut("without a recorded air temperature", 1),
    )
    assert (result.evidence.sessions, result.evidence.against_sessions) == (5, 5)


def test_what_was_never_recorded_is_a_caution():
    rows = ridden(0, 0, MIXED, [NAN] * 6) + ridden(1, 6, MIXED, [NAN] * 6)
    never = "Air temperature was not recorded with R2 or R1; the figures do not allow for it."
    assert ask(log_of(rows)).evidence.cautions[0] == never
    rows = ridden(0, 0, MIXED, [NAN] * 5 + [-3]) + ridden(1, 6, MIXED, MILD)
    result = ask(log_of(rows))
    assert result.evidence.cautions[0] == (
        "Air temperature was recorded in 6 of 6 sessions of R2 and 1 of 6 sessions of R1; the figures do not allow "
        "for it."
    )
    assert result.evidence.adjusted_for == ("surface",)


def test_a_condition_that_never_varied_is_not_said_to_be_allowed_for():
    rows = ridden(0, 0, ["snow"] * 6, [-4] * 6) + ridden(1, 6, ["snow"] * 6, [-4] * 6)
    assert ask(log_of(rows)).evidence.adjusted_for == ()


def test_a_wild_new_revision_is_said_so():
    rows = ridden(0, 0, MIXED, MILD) + [(1, 6 + n, 10 + 4 * (-1) ** (n // 2), MIXED[n], MILD[n]) for n in range(6)]
    assert any(words.startswith("R2 scatters") for words in ask(log_of(rows)).evidence.cautions)


def test_the_answer_is_todays_and_the_decision_stays():
    clear = ridden(0, 0, MIXED, MILD) + ridden(1, 6, MIXED[:4], MILD[:4], level=11.5)
    log = log_of([*clear, (1, 10, 7.0, "snow", -4), (1, 11, 6.0, "clear ice", -4)])
    result = ask(log)
    assert result.answer is not Answer.HIGHER
    assert result.decided.answer is Answer.HIGHER
    assert result.decided.values == 4


def test_a_wide_spread_cannot_be_settled_by_riding():
    log = season_log(np.random.default_rng(3), spread=0.25)
    result = ask(log, revision=2, against=1)
    assert result.answer is Answer.NOT_BY_RIDING
    assert result.more_values is None


def test_results_come_in_the_order_of_their_questions():
    log = season_log(np.random.default_rng(3))
    asked = [
        Question("mean_gate_speed", 2, 1),
        Question("mean_gate_speed", 1, 0),
        Question("mean_gate_speed", 2, 1, expectation=Expectation(1, 0.05)),
    ]
    results = answer_questions({"mean_gate_speed": log}, asked)
    assert [result.question for result in results] == asked
    assert results[0].figures == results[2].figures
    assert (results[0].outcome, results[2].outcome is None) == (None, False)


def test_a_gate_is_a_condition_like_any_other():
    log = log_of(ridden(0, 0, MIXED, MILD) + ridden(1, 6, MIXED, MILD, level=11.0))
    gates = Factor("gate", np.repeat([0, 1], 6), ("North", "South"))
    log = Columns(
        SPEED, log.value, log.passes, log.session, log.day, log.revision, log.revisions, (*log.factors, gates),
        log.covariates,
    )  # fmt: skip
    assert ask(log).reason == "R2 and R1 have no gate in common (R2: South; R1: North)."


def test_values_without_any_scatter_judge_nothing():
    rows = [
        (revision, day, 10.0 + revision, MIXED[day % 6], MILD[day % 6])
        for day, revision in enumerate([0] * 6 + [1] * 6)
    ]
    result = ask(log_of(rows))
    assert (result.answer, result.decided) == (Answer.NOT_YET_KNOWN, None)
    assert result.reason == "The values do not scatter at all, so chance cannot be judged."


def test_a_measure_that_no_session_has():
    result = ask(log_of([(0, 0, NAN, "snow", -4), (1, 1, NAN, "snow", -4)]))
    assert (result.answer, result.reason) == (Answer.NOT_YET_KNOWN, "R2 has no value yet.")
    assert result.evidence.left_out == (LeftOut("without a value", 2),)


def test_a_far_plan_has_figures_with_an_end():
    log = log_of(ridden(0, 0, MIXED, MILD) + ridden(1, 6, MIXED[:4], MILD[:4], level=11.0))
    figures = ask(log, planned=200).figures
    assert figures.confidence > 1 - 1e-12
    assert np.isfinite([figures.lower, figures.upper]).all()


def test_days_with_both_builds_settle_what_the_season_hides():
    """The air grows colder day by day, with both builds on each: only within a day can they be told apart."""
    random, rows = np.random.default_rng(12), []
    for day in range(6):
        ice = 0.1 * random.standard_normal()
        for revision in (0, 1):
            level = 10 * np.exp(ice + 0.05 * revision + 0.002 * random.standard_normal())
            rows.append((revision, day, level, MIXED[day], -3.0 * day))
    result = ask(log_of(rows))
    assert result.answer is Answer.HIGHER
    assert result.evidence.ledger.lower < 0.0513 < result.evidence.ledger.upper


def test_a_question_asked_again_leaves_out_what_was_ridden_before():
    log = log_of(ridden(0, 0, MIXED, MILD) + ridden(1, 6, MIXED, MILD) + ridden(1, 12, MIXED[:2], MILD[:2]))
    result = ask(log, opened_on=12)
    assert result.reason == "R2 has 2 of the 4 values that a claim needs."
    assert result.evidence.left_out == (LeftOut("ridden before the question was opened", 6),)
