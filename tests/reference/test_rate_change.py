"""The fall of a failure rate, against exact tests of general-purpose libraries."""

import math
import random

import pytest
from scipy import stats
from statsmodels.stats.rates import test_poisson_2indep as two_poisson_rates

from calc.rate_change import exposure_to_hold, rate_ratio_upper


@pytest.mark.parametrize(("before_km", "before", "after_km", "after", "confidence"), [
    (100.0, 3, 100.0, 0, 0.8), (250.0, 8, 300.0, 1, 0.9), (40.0, 1, 500.0, 0, 0.95), (171.0, 12, 60.0, 2, 0.8),
])  # fmt: skip
def test_the_upper_ratio_is_where_the_exact_conditional_test_turns(before_km, before, after_km, after, confidence):
    """statsmodels 0.15.0, stats.rates.test_poisson_2indep, method exact-cond: its one-sided p is 1 − C there."""
    ratio = rate_ratio_upper(before_km, before, after_km, after, confidence)
    p_value = two_poisson_rates(
        after, after_km, before, before_km, value=ratio, method="exact-cond", compare="ratio", alternative="smaller"
    ).pvalue
    assert p_value == pytest.approx(1 - confidence, abs=1e-9)


def test_the_share_of_the_later_count_has_clopper_pearson_limits():
    """scipy 1.17.1, stats.binomtest(...).proportion_ci(method="exact"), turned into a ratio of rates."""
    share = stats.binomtest(2, 14, alternative="less").proportion_ci(confidence_level=0.9, method="exact").high
    expected = (180.0 / 90.0) * share / (1 - share)
    assert rate_ratio_upper(180.0, 12, 90.0, 2, 0.9) == pytest.approx(expected, rel=1e-9)


def test_without_a_failure_since_it_is_closed_form():
    """Exact algebra: (T₁ / (T₁ + ρ T₂))^r₁ = 1 − C, solved for ρ by hand: 3 failures, 1 − C = 1/8, so ρ = T₁/T₂."""
    assert rate_ratio_upper(100.0, 3, 100.0, 0, 0.875) == pytest.approx(1.0)
    assert exposure_to_hold(100.0, 3, 0.5, 0.875) == pytest.approx(200.0)
    assert exposure_to_hold(50.0, 1, 1.0, 0.5) == pytest.approx(50.0)


def test_many_failures_before_leave_the_bound_of_zero_failures():
    """NIST/SEMATECH e-Handbook 8.4.5.1: with a known earlier rate, −ln(1 − C) failures' worth of exposure is needed."""
    needed = exposure_to_hold(1e6, 1e4, 1.0, 0.9)
    assert needed * 1e4 / 1e6 == pytest.approx(-math.log(0.1), rel=2e-4)


def test_the_bound_covers_as_often_as_it_says():
    """Simulated Poisson counts (numpy's own would do; here the standard library's): covered at least C of the time."""
    chance = random.Random(5)

    def poisson(mean):
        count, product = 0, chance.random()
        while product > math.exp(-mean):
            count, product = count + 1, product * chance.random()
        return count

    covered = tried = 0
    while tried < 4000:
        before, after = poisson(6.0), poisson(2.0)
        if before:
            tried += 1
            covered += rate_ratio_upper(60.0, before, 40.0, after, 0.8) >= (2.0 / 40.0) / (6.0 / 60.0)
    assert covered / tried >= 0.8
