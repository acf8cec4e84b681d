"""Failure statistics against the NIST/SEMATECH e-Handbook and AMSAA Technical Report 138."""

import numpy as np
import pytest

from calc import reliability

# NIST/SEMATECH e-Handbook, 8.4.5.2, case study 1: failures [h], test stopped at 1500 h.
CASE_STUDY = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]
# AMSAA Technical Report 138 (Crow, 1975), table 1, system 1, T = 200 h.
SYSTEM_1 = [4.3, 4.4, 10.2, 23.5, 23.8, 26.4, 74.0, 77.1, 92.1, 197.2]


def test_handbook_mtbf_limits():
    # e-Handbook 8.4.5.1: 800 h, 2 failures, 90 %: 127.07 … 2251.2 h.
    interval = reliability.exposure_between_failures(800.0, 2, 0.9)
    assert (interval.lower, interval.upper) == pytest.approx((127.0690, 2251.229), rel=1e-5)


@pytest.mark.parametrize(
    ("failures", "confidence", "low", "high"),
    [(1, 0.6, 0.3340, 4.4814), (3, 0.9, 0.3869, 3.6689), (5, 0.95, 0.4285, 3.0798), (10, 0.8, 0.6491, 1.6074)],
)
def test_handbook_factor_table(failures, confidence, low, high):
    # e-Handbook 8.4.5.1, factors for time-truncated tests.
    interval = reliability.exposure_between_failures(100.0 * failures, failures, confidence)
    assert (interval.lower / 100, interval.upper / 100) == pytest.approx((low, high), abs=6e-5)


def test_military_handbook_failure_truncated():
    # MIL-HDBK-338B (1998), 8.3.2.5.1 (from memory for the text): 1600 h to the 10th failure, 95 %: 93.65 … 333.65 h.
    interval = reliability.exposure_between_failures(1600.0, 10, 0.95, truncated="failure")
    assert (interval.estimate, interval.lower, interval.upper) == pytest.approx((160.0, 93.650, 333.654), abs=1e-3)


def test_rate_is_the_reciprocal():
    # e-Handbook 8.4.5.1, the same limits turned over.
    rate = reliability.failure_rate(800.0, 2, 0.9)
    assert (rate.lower, rate.upper) == pytest.approx((1 / 2251.229, 1 / 127.0690), rel=1e-5)


@pytest.mark.parametrize(
    ("confidence", "factor"), [(0.5, 1.442695), (0.8, 0.621335), (0.9, 0.434294), (0.95, 0.333808)]
)
def test_zero_failures(confidence, factor):
    # e-Handbook 8.4.5.1: lower bound T/(−ln α).
    assert reliability.zero_failure_bound(1000.0, confidence) == pytest.approx(1000 * factor, abs=1e-3)


@pytest.mark.parametrize(("failures", "hours"), [(0, 230.2585), (1, 388.9720), (2, 532.2320)])
def test_exposure_to_show(failures, hours):
    # e-Handbook 8.3.1.1, 100 h at 90 %, with 0, 1 and 2 failures.
    assert reliability.exposure_to_show(100.0, failures, 0.9) == pytest.approx(hours, abs=1e-4)


def test_power_law_case_study():
    # e-Handbook 8.4.5.2 prints the modified estimate β = (n−1)/S = 0.483506; MLE by its formula n/S.
    fit = reliability.power_law_fit(CASE_STUDY, 1500.0)
    assert fit.unbiased_shape == pytest.approx(0.483506, abs=1e-6)
    assert fit.shape == pytest.approx(0.483506 * 10 / 9, abs=2e-6)
    # The fitted model expects as many failures as were seen.
    assert fit.scale * 1500.0**fit.shape == pytest.approx(10.0)
    assert fit.fits


def test_power_law_limits_of_the_case_study():
    # e-Handbook 8.4.5.2: MTBF at 1500 h is 310.234 h, 80 % limits 157.7139 h and 548.5565 h.
    fit = reliability.power_law_fit(CASE_STUDY, 1500.0, confidence=0.8)
    limits = (fit.unbiased_now, fit.now_lower, fit.now_upper)
    assert limits == pytest.approx((310.234, 157.7139, 548.5565), rel=2e-6)
    assert reliability.power_law_fit(CASE_STUDY, 1478.0, truncated="failure").now_lower is None
    assert reliability.power_law_fit([1.0, 2.0, 5.0], 9.0, confidence=0.999).now_upper is None


def test_power_law_shape_limits():
    # AMSAA TR-138, exact limits on β by χ²(2n)/2n; compared with scipy 1.17 quantiles.
    from scipy import stats

    fit = reliability.power_law_fit(SYSTEM_1, 200.0, confidence=0.9)
    logs = float(np.sum(np.log(200.0 / np.array(SYSTEM_1))))
    assert logs == pytest.approx(19.661, abs=0.01)  # printed in the report
    assert fit.shape_lower == pytest.approx(stats.chi2.ppf(0.05, 20) / (2 * logs))
    assert fit.shape_upper == pytest.approx(stats.chi2.ppf(0.95, 20) / (2 * logs))


@pytest.mark.parametrize(("size", "value"), [(3, 0.183), (10, 0.213), (20, 0.217)])
def test_cramer_von_mises_critical_values(size, value):
    # AMSAA TR-138, table 2, 5 % column.
    times = np.linspace(1.0, 90.0, size)
    assert reliability.power_law_fit(times, 100.0).critical_value == pytest.approx(value)


def test_laplace():
    # e-Handbook 8.2.3.4 on the case study: U = −1.327, p = 0.185; system 1 of TR-138: −2.558.
    trend = reliability.laplace_trend(CASE_STUDY, 1500.0)
    assert trend.statistic == pytest.approx(-1.326949, abs=1e-6)
    assert trend.p_value == pytest.approx(0.18453, abs=1e-5)
    assert reliability.laplace_trend(SYSTEM_1, 200.0).statistic == pytest.approx(-2.557864, abs=1e-6)
