"""Two samples against the NIST/SEMATECH e-Handbook, scipy 1.17 and statsmodels 0.15.0."""

from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.power import TTestIndPower

from calc import comparison

DATA = Path(__file__).parent / "data"
FIRST = [27.5, 21.0, 19.0, 23.6, 17.0, 17.9, 16.9, 20.1, 21.9, 22.6, 23.1, 19.6, 19.0, 21.7, 21.4]
SECOND = [27.1, 22.0, 20.8, 23.4, 23.4, 23.5, 25.8, 22.0, 24.8, 20.2, 21.9, 22.1, 22.9, 20.5, 24.4]


def test_auto83b():
    # e-Handbook 1.3.5.3, AUTO83B: means 20.14458 and 30.48101; Welch t = −12.94627, ν = 136.8750.
    us, japan = np.loadtxt(DATA / "auto83b_us.txt"), np.loadtxt(DATA / "auto83b_jp.txt")
    result = comparison.welch(us, japan)
    assert result.difference == pytest.approx(20.14458 - 30.48101, abs=1e-5)
    assert result.statistic == pytest.approx(-12.94627, abs=1e-5)
    assert result.degrees_of_freedom == pytest.approx(136.8750, abs=1e-4)


def test_welch_against_scipy():
    # scipy 1.17, ttest_ind with unequal variances.
    expected = stats.ttest_ind(FIRST, SECOND, equal_var=False)
    limits = expected.confidence_interval(0.95)
    result = comparison.welch(FIRST, SECOND)
    assert (result.statistic, result.p_value) == pytest.approx((expected.statistic, expected.pvalue))
    assert (result.lower, result.upper) == pytest.approx((limits.low, limits.high))


def test_mean_interval():
    # scipy 1.17, t.interval.
    expected = stats.t.interval(0.95, len(FIRST) - 1, np.mean(FIRST), stats.sem(FIRST))
    interval = comparison.mean_interval(FIRST)
    assert (interval.lower, interval.upper) == pytest.approx(expected)
    assert interval.standard_deviation == pytest.approx(np.std(FIRST, ddof=1))


@pytest.mark.parametrize("effect", [0.5, 1.0, 1.5, 2.0])
@pytest.mark.parametrize("power", [0.8, 0.9])
def test_sessions_needed(effect, power):
    # statsmodels 0.15.0, TTestIndPower, rounded up to whole sessions.
    expected = TTestIndPower().solve_power(effect, alpha=0.05, power=power)
    assert comparison.sessions_needed(effect, 1.0, power=power) == int(np.ceil(expected))


def test_adjusted_difference():
    # statsmodels 0.15.0, OLS with a group column and a centred covariate.
    cold, warm = np.linspace(-15, -5, len(FIRST)), np.linspace(-10, 0, len(SECOND))
    values, covariate = np.concatenate([FIRST, SECOND]), np.concatenate([cold, warm])
    group = np.repeat([1.0, 0.0], [len(FIRST), len(SECOND)])
    fit = sm.OLS(values, np.column_stack([np.ones_like(group), group, covariate])).fit()
    result = comparison.adjusted_difference(FIRST, cold, SECOND, warm)
    assert (result.difference, result.slope, result.p_value) == pytest.approx(
        (fit.params[1], fit.params[2], fit.pvalues[1])
    )
    assert (result.lower, result.upper) == pytest.approx(tuple(fit.conf_int(0.05)[1]))
