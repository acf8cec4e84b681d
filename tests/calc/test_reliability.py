import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc import reliability
from tests.calc.kernel_cases import CHECKS, Case

CASES = [
    Case(
        reliability.exposure_between_failures,
        {"exposure": 800.0, "failures": 2.0, "confidence": 0.9},
        edges=[{"failures": 0.0}],
    ),
    Case(reliability.failure_rate, {"exposure": 8.0, "failures": 2.0, "confidence": 0.9}, edges=[{"failures": 0.0}]),
    Case(reliability.zero_failure_bound, {"exposure": 1000.0, "confidence": 0.8}),
    Case(
        reliability.exposure_to_show, {"wanted": 100.0, "failures": 1.0, "confidence": 0.9}, edges=[{"failures": 0.0}]
    ),
    Case(
        reliability.power_law_fit,
        {"times": [5.0, 40.0, 43.0, 175.0], "end": 200.0, "confidence": 0.9},
        edges=[{"end": 175.0}],
    ),
    Case(reliability.laplace_trend, {"times": [5.0, 40.0, 43.0], "end": 200.0}, edges=[{"end": 43.0}]),
]


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


@given(exposure=st.floats(1, 1e5), failures=st.integers(1, 50), confidence=st.floats(0.5, 0.99))
def test_limits_hold_the_estimate(exposure, failures, confidence):
    interval = reliability.exposure_between_failures(exposure, failures, confidence)
    assert interval.lower < interval.estimate < interval.upper


@given(exposure=st.floats(1, 1e4), scale=st.floats(0.1, 10))
def test_the_rate_changes_with_the_unit_of_exposure_only(exposure, scale):
    plain, scaled = (reliability.failure_rate(value, 3) for value in (exposure, scale * exposure))
    assert scaled.upper * scale == pytest.approx(plain.upper)


def test_no_failure_has_no_estimate_and_no_upper_limit():
    interval = reliability.exposure_between_failures(1000.0, 0)
    assert interval.estimate is None
    assert interval.upper is None
    assert reliability.failure_rate(1000.0, 0).estimate == 0.0


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: reliability.exposure_between_failures(10.0, 1.5), "whole number"),
        (lambda: reliability.exposure_between_failures(10.0, 0, truncated="failure"), "at least 1"),
        (lambda: reliability.exposure_between_failures(10.0, 1, truncated="never"), "truncated"),
        (lambda: reliability.power_law_fit([1.0, 2.0], 3.0), "at least 3"),
        (lambda: reliability.power_law_fit([2.0, 1.0, 3.0], 3.0), "must not fall"),
        (lambda: reliability.power_law_fit([1.0, 2.0, 3.0], 2.5), "at or after"),
        (lambda: reliability.power_law_fit([1.0, 2.0, 3.0], 4.0, truncated="failure"), "must be the last failure"),
        (lambda: reliability.power_law_fit([3.0, 3.0, 3.0], 3.0), "before the end"),
    ],
)
def test_impossible_histories_are_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
