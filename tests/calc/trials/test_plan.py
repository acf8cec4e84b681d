"""What a plan says: from the spread alone, with the error of its question."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special

from calc.comparison import sessions_for_power
from calc.trials.answers import Expectation
from calc.trials.columns import Columns, Covariate, Measure
from calc.trials.days import Selection, day_values
from calc.trials.looks import PLAN_SHARE, Question, QuestionData
from calc.trials.model import DayModel, inflations_of
from calc.trials.plan import Basis, OfferKind, basis_of, chance_of_none, chance_to_tell, plan
from tests.calc.trials.logs import SPEED, log_of, season_log

KNOWN = Basis(
    variance=0.03**2 / 2,
    degrees_of_freedom=100_000,
    weight=0.5,
    inflation=1.0,
    values=0,
    own_variance=0.0,
    against_weight=1e9,
    conditions=0,
    passes=1.0,
)
"""A spread of 3 % that is known, against a revision that is known."""


def basis(log, new=2, old=1):
    data = QuestionData(log, Question("mean_gate_speed", new, old))
    return basis_of(data, data.today())


@pytest.mark.parametrize("days", [4, 6, 15])
def test_chances_are_those_of_the_rule_that_decides(days):
    """By drawing: a true spread that the residuals allow, new values, and the larger of pooled and own variance."""
    freedom, against, error, change = 12, 4.0, 0.05 / 3, 0.06
    plain = replace(KNOWN, degrees_of_freedom=freedom, against_weight=against)
    random, many = np.random.default_rng(2), 200_000
    true = plain.variance * freedom / random.chisquare(freedom, many)
    own = true * random.chisquare(days - 1, many) / (days - 1)
    pooled = (freedom * plain.variance + (days - 1) * own) / (freedom + days - 1)
    factor = 1 / (0.5 * days) + 1 / against
    half = special.stdtrit(freedom + days - 1, 1 - PLAN_SHARE * error / 2) * np.sqrt(np.maximum(pooled, own) * factor)
    noise = np.sqrt(true * factor) * random.standard_normal(many)
    rows, none = (change + noise > half).mean(), (np.abs(noise) + half < SPEED.band).mean()
    assert chance_to_tell(plain, change, days, error) == pytest.approx(rows, abs=0.01)
    assert chance_of_none(plain, SPEED.band, days, error) == pytest.approx(none, abs=0.01)


def test_two_builds_with_as_many_days_need_what_the_t_test_needs():
    error = 0.05 / PLAN_SHARE
    many = sessions_for_power(0.05 / 0.03, 0.8, 0.05)
    plain = replace(KNOWN, degrees_of_freedom=40)
    result = plan(plain, SPEED, 6, error, amount=0.05).days_to_tell
    assert result == pytest.approx(many, abs=1.5)


@given(st.floats(0.01, 0.1), st.floats(0.01, 0.1), st.integers(4, 20), st.integers(1, 20))
def test_chances_grow_with_the_change_and_with_the_days(change, more, days, further):
    some = replace(KNOWN, degrees_of_freedom=12, against_weight=4.0)
    assert chance_to_tell(some, change, days, 0.02) <= chance_to_tell(some, change + more, days, 0.02)
    assert chance_to_tell(some, change, days, 0.02) <= chance_to_tell(some, change, days + further, 0.02) + 1e-9
    assert chance_of_none(some, change, days, 0.02) <= chance_of_none(some, change + more, days, 0.02)


def test_the_seen_difference_changes_no_plan():
    log = season_log(np.random.default_rng(6))
    value = np.where(log.revision == 2, 1.3 * log.value, log.value)
    item, other = (plan(basis(each), SPEED, 6, 0.05) for each in (log, replace(log, value=value)))
    assert other.tells == pytest.approx(item.tells)
    assert (other.values_to_tell, other.days_to_show_none) == (item.values_to_tell, item.days_to_show_none)


def test_fewer_questions_and_less_spread_need_fewer_days():
    log = basis(season_log(np.random.default_rng(6)))
    assert plan(log, SPEED, 6, 0.05).days_to_tell < plan(log, SPEED, 6, 0.01).days_to_tell
    calm = replace(log, variance=log.variance / 4, own_variance=log.own_variance / 4)
    assert plan(calm, SPEED, 6, 0.05).tells == pytest.approx(plan(log, SPEED, 6, 0.05).tells / 2, rel=0.02)


def test_fewest_values_are_the_fewest():
    log = basis(season_log(np.random.default_rng(6), each=9, spread=0.04))
    change = Expectation(1, 0.05).change(SPEED)
    values = plan(log, SPEED, 6, 0.05, amount=change).values_to_tell
    assert values is not None
    assert values > 4
    assert chance_to_tell(log, change, values, 0.05) >= 0.8 > chance_to_tell(log, change, values - 1, 0.05)


def test_below_half_a_chance_other_ways_are_offered_with_what_they_would_tell():
    poor = replace(KNOWN, degrees_of_freedom=10, against_weight=6.0, inflation=2.0, conditions=4)
    result = plan(poor, SPEED, 6, 0.05 / 3)
    assert result.chance_to_tell < 0.5
    assert {offer.kind for offer in result.offers} == set(OfferKind)
    assert all(offer.tells < result.tells for offer in result.offers)
    rich = plan(replace(KNOWN, variance=1e-5), SPEED, 6, 0.05)
    assert rich.chance_to_tell > 0.5
    assert rich.offers == ()


def test_with_no_day_of_the_other_revision_only_both_builds_help():
    result = plan(replace(KNOWN, against_weight=0.0, degrees_of_freedom=10), SPEED, 6, 0.05)
    assert (result.tells, result.chance_to_tell, result.values_to_tell) == (None, 0.0, None)
    assert result.days_to_tell is not None
    assert [offer.kind for offer in result.offers] == [OfferKind.BOTH_BUILDS]


def test_too_few_residuals_make_no_plan():
    rows = [(0, 0, 10.0, "snow", -3.0), (0, 1, 10.1, "snow", -4.0), (0, 2, 10.2, "snow", -6.0)]
    assert basis(log_of(rows, revisions=("R1", "R2")), 1, 0) is None


def test_conditions_are_expected_to_differ_as_they_did_between_earlier_revisions():
    rows = [
        (revision, day, 10 + day % 3, "snow", -3.0 * revision + day % 4)
        for day, revision in enumerate([0] * 6 + [1] * 6)
    ]
    log = log_of(rows, revisions=("R1", "R2", "R3"))
    apart = basis(log).inflation
    alike = basis(log_of([(*row[:4], float(row[1] % 4)) for row in rows], revisions=("R1", "R2", "R3"))).inflation
    assert apart > 1.5 > alike >= 1.0


def test_a_plan_of_too_few_values_is_refused():
    with pytest.raises(ValueError, match="at least 4"):
        plan(KNOWN, SPEED, 3, 0.05)


def test_the_inflations_of_many_pairs_are_those_of_each_alone():
    """Pairs with and without shared days, and one of a single value."""
    rng = np.random.default_rng(8)
    revision = np.repeat(np.arange(6), (5, 6, 4, 7, 1, 6))
    day = np.arange(revision.size)
    # The second and the third revision share two days, the last two none.
    day[11:] -= 2
    size = revision.size
    columns = Columns(
        Measure("mean_gate_speed", smallest_difference=0.03), value=15.0 + rng.normal(0.0, 0.3, size),
        passes=np.full(size, 6.0), session=np.arange(size), day=np.sort(day), revision=revision,
        revisions=tuple("ABCDEF"), covariates=(Covariate("air temperature", rng.normal(-8.0, 4.0, size) - revision),),
    )  # fmt: skip
    days = day_values(columns, Selection((True,), frozenset()))
    pairs = [(later, earlier) for earlier in range(6) for later in range(6) if later != earlier]
    for rows in (size, size - 4, 12):
        for pair, inflation in zip(pairs, inflations_of(days, rows, pairs), strict=True):
            fit = DayModel(days, 6, *pair).contrast(rows)
            if fit.estimable and min(fit.values, fit.against_values) >= 2:
                assert inflation == fit.inflation
            else:
                assert inflation is None
