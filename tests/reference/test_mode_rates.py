"""Shrunk rates against the published pump data, and rate comparisons against scipy and statsmodels."""

import numpy as np
import pytest
from scipy import optimize, stats
from statsmodels.stats import rates as statsmodels_rates

from calc import reliability
from calc.mode_rates import rate_prior

# Ten pumps, failures and thousand hours: Gaver and O'Muircheartaigh, Technometrics 29 (1987) 1-15, as carried in
# stan-dev/example-models, bugs_examples/vol1/pump/pump.data.R.
PUMP_FAILURES = [5, 1, 5, 14, 3, 19, 1, 1, 4, 22]
PUMP_THOUSAND_H = [94.3, 15.7, 62.9, 126, 5.24, 31.4, 1.05, 1.05, 2.1, 10.5]


def test_the_prior_of_the_pumps():
    """The NIMBLE user manual (MCEM example `pump`) prints .8221657 and 1.2589865, by Monte Carlo."""
    prior = rate_prior(PUMP_FAILURES, PUMP_THOUSAND_H)
    assert (prior.shape, prior.shape / prior.mean) == pytest.approx((0.8221657, 1.2589865), rel=0.003)


def test_the_prior_is_the_maximum_that_a_general_optimizer_finds():
    """scipy 1.17 nbinom and minimize: negative binomial with r = a, p = b/(b + T)."""

    def unlikeliness(logs):
        shape, rate = np.exp(logs)
        share = rate / (rate + np.array(PUMP_THOUSAND_H))
        return -stats.nbinom.logpmf(PUMP_FAILURES, shape, share).sum()

    best = optimize.minimize(unlikeliness, [0.0, 0.0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11})
    prior = rate_prior(PUMP_FAILURES, PUMP_THOUSAND_H)
    assert (prior.shape, prior.shape / prior.mean) == pytest.approx(np.exp(best.x), rel=1e-5)


def test_the_rates_of_the_pumps():
    """BUGS Examples Vol. 1, Pumps (α ~ Exp(1), β ~ Gamma(0.1, 1)): posterior means with their standard deviations.

    A fitted prior in place of a drawn one moves them by less than a third of these.
    """
    means = np.array([0.0598, 0.1018, 0.0892, 0.1158, 0.6013, 0.6094, 0.8925, 0.8925, 1.5863, 1.9898])
    spread = np.array([0.0252, 0.0795, 0.0376, 0.0303, 0.3160, 0.1375, 0.7244, 0.7244, 0.7695, 0.4250])
    rates = reliability.shrunk_rates(PUMP_FAILURES, PUMP_THOUSAND_H)
    assert (np.abs(rates - means) < spread / 3).all()


def test_a_rate_before_and_after_against_scipy():
    """scipy.stats.binomtest: 7 in 40 h, then 2 in 60 h; one-sided 0.025034752, so 0.050069504 twice."""
    one_sided = stats.binomtest(2, 9, 60 / 100, alternative="less").pvalue
    assert reliability.rate_change_p(7, 40.0, 2, 60.0) == pytest.approx(2 * one_sided)
    assert reliability.rate_change_p(7, 40.0, 2, 60.0) == pytest.approx(0.050069504, abs=1e-8)


@pytest.mark.parametrize(
    ("before", "after"), [((60, 51477.5), (30, 54308.7)), ((11, 800.0), (21, 3011.0)), ((0, 5.0), (4, 6.0))]
)
def test_a_rate_before_and_after_against_statsmodels(before, after):
    """statsmodels 0.15 test_poisson_2indep, method exact-cond; first data Gu, Ng, Tang and Schucany (2008)."""
    one_sided = min(
        statsmodels_rates.test_poisson_2indep(*before, *after, method="exact-cond", alternative=way).pvalue
        for way in ("larger", "smaller")
    )
    assert reliability.rate_change_p(*before, *after) == pytest.approx(min(1.0, 2 * one_sided), rel=1e-9)
