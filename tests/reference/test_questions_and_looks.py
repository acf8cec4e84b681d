"""Holm, repeated looks and power against published tables and statsmodels 0.15.0."""

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.power import TTestIndPower

from calc import comparison
from calc.repeated_looks import bounds_that_spend


@pytest.mark.parametrize(
    "p",
    [
        # The decisions for the first list are printed in the encyclopedia's article on the method: 1 and 4 rejected.
        [0.01, 0.04, 0.03, 0.005],
        [0.01, 0.02, 0.03, 0.04, 0.05],
        [
            0.0001,
            0.0004,
            0.0019,
            0.0095,
            0.0201,
            0.0278,
            0.0298,
            0.0344,
            0.0459,
            0.324,
            0.4262,
            0.5719,
            0.6528,
            0.759,
            1,
        ],
        [0.3, 0.3, 0.3],
    ],
)
def test_holm(p):
    # statsmodels 0.15.0, multipletests, 'holm'.
    np.testing.assert_allclose(comparison.holm(p), multipletests(p, method="holm")[1])


def test_holm_decides_as_printed():
    # Wikipedia, Holm–Bonferroni method, example with four hypotheses at 5 %: H1 and H4 are rejected.
    assert (comparison.holm([0.01, 0.04, 0.03, 0.005]) <= 0.05).tolist() == [True, False, False, True]


def test_spending_bounds_of_five_looks():
    # Casper and Perez, ldbounds 2.0.2 (CRAN), vignette p. 9: Lan–DeMets, O'Brien–Fleming type, two-sided 0.05, five
    # equal looks. The printed second bound is low in the fourth decimal: it spends more than it may.
    bounds = comparison.spending_bounds([0.2, 0.4, 0.6, 0.8, 1.0], 0.05)
    np.testing.assert_allclose(bounds, [4.8769, 3.3569, 2.6803, 2.2898, 2.0310], atol=2e-4)


def test_unequal_looks_by_the_multivariate_normal():
    # scipy 1.17: looks at 0.3, 0.6 and 1 together stay within their bounds with 95 %.
    information = np.array([0.3, 0.6, 1.0])
    bounds = comparison.spending_bounds(information, 0.05)
    lower, upper = np.minimum.outer(information, information), np.maximum.outer(information, information)
    within = stats.multivariate_normal(cov=np.sqrt(lower / upper)).cdf(bounds, lower_limit=-bounds, rng=1)
    assert 1 - within == pytest.approx(0.05, abs=2e-5)


@pytest.mark.parametrize(("looks", "constant"), [(2, 1.977), (3, 2.004), (4, 2.024), (5, 2.040)])
def test_recursion_by_obrien_and_flemings_constants(looks, constant):
    # Jennison and Turnbull, Group Sequential Methods with Applications to Clinical Trials (2000), Table 2.3, two-sided
    # 0.05: bounds C √(K/k). What they spend by scipy's multivariate normal, spent again, gives the last one back.
    number = np.arange(1, looks + 1)
    bounds = constant * np.sqrt(looks / number)
    correlation = np.sqrt(np.minimum.outer(number, number) / np.maximum.outer(number, number))
    spent = [2 * stats.norm.sf(bounds[0])]
    for many in number[1:]:
        normal = stats.multivariate_normal(cov=correlation[:many, :many])
        spent.append(1 - normal.cdf(bounds[:many], lower_limit=-bounds[:many], rng=1))
    assert spent[-1] == pytest.approx(0.05, abs=3e-4)
    assert bounds_that_spend(number, spent)[-1] == pytest.approx(bounds[-1], abs=3e-3)


@pytest.mark.parametrize(("effect", "printed"), [(0.2, 393), (0.5, 64), (0.8, 26)])
def test_cohens_table(effect, printed):
    # Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed. (1988), Table 2.3.5: two-sided 0.05,
    # power 0.80. His 393 is rounded to the nearest.
    assert round(comparison.sessions_for_power(effect, 0.8, 0.05)) == printed


@pytest.mark.parametrize("effect", [0.2, 0.5, 0.8, 1.0, 1.6, 3.0])
@pytest.mark.parametrize(("power", "alpha"), [(0.8, 0.05), (0.9, 0.05), (0.8, 0.05 / 3), (0.5, 0.01)])
def test_sessions_for_power(effect, power, alpha):
    # statsmodels 0.15.0, TTestIndPower.
    expected = TTestIndPower().solve_power(effect, alpha=alpha, power=power)
    assert comparison.sessions_for_power(effect, power, alpha) == pytest.approx(expected, rel=1e-6)
