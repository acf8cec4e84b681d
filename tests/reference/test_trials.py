"""One revision against another, on open data that ships with statsmodels 0.15.0, against its OLS, WLS and TOST."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.tests import test_tost
from statsmodels.stats.weightstats import ttost_ind

from calc.comparison import holm
from calc.trials.answers import Answer, answer_of
from calc.trials.columns import Columns, Covariate, Factor, Measure
from calc.trials.days import Selector, day_values
from calc.trials.looks import interval_beyond, standard_error
from calc.trials.model import DayModel


def columns_of(value, group, day, passes=None, factors=(), covariates=(), measure=None):
    order = np.argsort(day, kind="stable")
    count = len(order)
    passes = np.ones(count) if passes is None else np.asarray(passes, dtype=float)
    return Columns(
        measure or Measure("value", 1.0, ratio=False),
        np.asarray(value, dtype=float)[order],
        passes[order],
        np.arange(count),
        np.asarray(day, dtype=np.intp)[order],
        np.asarray(group, dtype=np.intp)[order],
        tuple(str(item) for item in range(int(np.max(group)) + 1)),
        tuple(Factor(name, np.asarray(codes, dtype=np.intp)[order], levels) for name, codes, levels in factors),
        tuple(Covariate(name, np.asarray(values, dtype=float)[order]) for name, values in covariates),
    )


def contrast(columns, new, old):
    days = day_values(columns, Selector(columns, new, old).at(columns.day.size))
    return DayModel(days, len(columns.revisions), new, old).contrast(days.day.size)


def pooled_error(fit):
    return np.sqrt(fit.pooled_variance * fit.variance_factor)


def test_credit_card_spending_by_weighted_least_squares():
    # Greene's credit card data, weights 1/income²: OWNRENT 60.4487736936 with standard error 58.55088753139, as Stata
    # prints it (aweights), in statsmodels' own tests (results_regression.py, CCardWLS). The scale of the weights does
    # not matter; passes are chosen so that n/(n + 1) is in proportion to them.
    data = sm.datasets.ccard.load_pandas().data
    weight = 0.9 / data.INCOMESQ * data.INCOMESQ.min()
    covariates = [("age", data.AGE), ("income", data.INCOME), ("income squared", data.INCOMESQ)]
    columns = columns_of(data.AVGEXP, data.OWNRENT, np.arange(72), weight / (1 - weight), covariates=covariates)
    fit = contrast(columns, 1, 0)
    assert fit.difference == pytest.approx(60.4487736936, rel=1e-8)
    assert pooled_error(fit) == pytest.approx(58.55088753139, rel=1e-8)
    assert fit.degrees_of_freedom == 67


def test_days_that_both_had_by_dummy_variables():
    # Grunfeld's investment data, 11 firms by 20 years: firm and year effects, statsmodels OLS.
    data = sm.datasets.grunfeld.load_pandas().data
    firm = data.firm.astype("category").cat.codes.to_numpy()
    columns = columns_of(data.invest, firm, data.year, covariates=[("value", data.value), ("capital", data.capital)])
    dummies = np.column_stack([firm == item for item in range(11)] + [data.year == year for year in range(1936, 1955)])
    fit = sm.OLS(data.invest, np.column_stack([dummies, data.value, data.capital]).astype(float)).fit()
    wanted = np.zeros(dummies.shape[1] + 2)
    wanted[[3, 7]] = 1, -1
    expected = fit.t_test(wanted)
    result = contrast(columns, 3, 7)
    assert result.difference == pytest.approx(expected.effect[0], rel=1e-8)
    assert pooled_error(result) == pytest.approx(expected.sd[0, 0], rel=1e-8)
    assert result.degrees_of_freedom == fit.df_resid == 220 - 11 - 19 - 2
    own = firm == 3
    leverage = fit.get_influence().hat_matrix_diag
    variance = 0.5 * (fit.resid[own] ** 2).sum() / (1 - leverage[own]).sum()
    assert result.own_variance == pytest.approx(variance, rel=1e-8)


@pytest.mark.parametrize("pair", [(1, 0), (4, 2)])
def test_factors_and_covariates_on_many_rows(pair):
    # Fair's survey of 6,366: affairs by education, allowing for occupation, age and years married; statsmodels WLS on
    # logarithms of one plus their number.
    data = sm.datasets.fair.load_pandas().data
    education = np.unique(data.educ, return_inverse=True)[1]
    occupation = np.unique(data.occupation, return_inverse=True)[1]
    passes = 1.0 + data.children.to_numpy()
    value = 1.0 + data.affairs.to_numpy()
    columns = columns_of(
        value,
        education,
        np.arange(len(data)),
        passes,
        factors=[("occupation", occupation, tuple("abcdef"))],
        covariates=[("age", data.age), ("years", data.yrs_married)],
        measure=Measure("value", 0.05),
    )
    groups = [education == item for item in range(6)] + [occupation == item for item in range(1, 6)]
    design = np.column_stack([*groups, data.age, data.yrs_married]).astype(float)
    fit = sm.WLS(np.log(value), design, weights=passes / (passes + 1)).fit()
    wanted = np.zeros(design.shape[1])
    wanted[list(pair)] = 1, -1
    expected, result = fit.t_test(wanted), contrast(columns, *pair)
    assert result.difference == pytest.approx(expected.effect[0], rel=1e-7)
    assert pooled_error(result) == pytest.approx(expected.sd[0, 0], rel=1e-7)
    lower, upper = expected.conf_int(0.02)[0]
    plain = interval_beyond(result._replace(own_variance=0.0), 0.01)
    assert (plain.lower, plain.upper) == pytest.approx((lower, upper), rel=1e-6)


def test_equal_groups_by_two_one_sided_tests():
    # "clinic" data in statsmodels' test_tost.py, from R's package equivalence: first against second group of var1,
    # ±0.6, pooled: p = 0.04827315101, 28 degrees of freedom. An interval that leaves out p touches the band.
    first, second = test_tost.clinic[:15, 2], test_tost.clinic[15:, 2]
    group, day = np.repeat([0, 1], 15), np.arange(30)
    measure = Measure("value", 0.6, ratio=False)
    fit = contrast(columns_of(np.concatenate([first, second]), group, day, measure=measure), 1, 0)
    fit = fit._replace(own_variance=0.0)
    assert fit.degrees_of_freedom == 28
    touching = interval_beyond(fit, 0.04827315101)
    assert max(abs(touching.lower), abs(touching.upper)) == pytest.approx(0.6, abs=1e-8)
    p_value = ttost_ind(second, first, -0.6, 0.6)[0]
    for tail, answer in ((p_value * 1.001, Answer.NO_DIFFERENCE), (p_value * 0.999, Answer.NOT_YET_KNOWN)):
        interval = interval_beyond(fit, tail)
        assert answer_of(interval.lower, interval.upper, measure) is answer


def test_several_measures_share_their_error_as_in_holms_procedure():
    # statsmodels' clinic data again: five measures of the first against the second 15; p by scipy 1.17's t test.
    data = test_tost.clinic[:, 2:]
    group, day = np.repeat([0, 1], 15), np.arange(30)
    results = []
    for value in data.T:
        fit = contrast(columns_of(value, group, day), 1, 0)
        results.append(2 * stats.t.sf(abs(fit.difference) / pooled_error(fit), fit.degrees_of_freedom))
    expected = stats.ttest_ind(data[15:], data[:15]).pvalue
    np.testing.assert_allclose(results, expected, rtol=1e-9)
    np.testing.assert_allclose(holm(results), holm(expected), rtol=1e-9)


def test_the_error_is_never_below_the_pooled_one():
    data = sm.datasets.grunfeld.load_pandas().data
    firm = data.firm.astype("category").cat.codes.to_numpy()
    columns = columns_of(np.log(data.invest), firm, data.year, covariates=[("value", data.value)])
    for revision in range(1, 11):
        fit = contrast(columns, revision, 0)
        assert standard_error(fit) >= pooled_error(fit)
        assert standard_error(fit) >= np.sqrt(fit.own_variance * fit.variance_factor)
