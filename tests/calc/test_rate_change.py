import pytest

from calc import rate_change
from tests.calc.kernel_cases import CHECKS, Case

CASES = [
    Case(
        rate_change.rate_ratio_upper,
        {"exposure_before": 100.0, "failures_before": 3.0, "exposure_after": 80.0, "failures_after": 0.0,
         "confidence": 0.8},
        edges=[{"failures_after": 5.0}, {"confidence": 0.999}],
    ),
    Case(
        rate_change.exposure_to_hold,
        {"exposure_before": 100.0, "failures_before": 3.0, "rate_fraction": 0.5, "confidence": 0.8},
        edges=[{"failures_before": 1.0}, {"rate_fraction": 1.0}],
    ),
]  # fmt: skip


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


@pytest.mark.parametrize("count", [0.0, 2.5])
def test_a_count_before_must_be_whole_and_above_zero(count):
    with pytest.raises(ValueError, match="failures_before must be a whole number of at least 1"):
        rate_change.exposure_to_hold(100.0, count)


def test_riding_exactly_far_enough_shows_it():
    needed = rate_change.exposure_to_hold(120.0, 4, rate_fraction=0.4, confidence=0.85)
    assert rate_change.rate_ratio_upper(120.0, 4, needed, 0, 0.85) == pytest.approx(0.4)
