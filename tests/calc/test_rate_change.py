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
    Case(rate_change.confidence_for_fixes, {"fixes": 4.0}, edges=[{"fixes": 1.0}]),
    Case(
        rate_change.rate_change_p,
        {"count_before": 7.0, "exposure_before": 40.0, "count_after": 2.0, "exposure_after": 60.0},
        edges=[{"count_before": 0.0}, {"count_after": 0.0}, {"count_before": 0.0, "count_after": 0.0}],
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


@pytest.mark.parametrize(("fixes", "failures"), [(1, 1), (1, 3), (4, 2), (12, 5)])
def test_the_exposure_that_shows_a_fix_at_the_confidence_of_its_page(fixes, failures):
    """Design section 9: T2 = 2 T1 ((n/0.3)^(1/r) - 1)."""
    confidence = rate_change.confidence_for_fixes(fixes)
    needed = rate_change.exposure_to_hold(100.0, failures, 0.5, confidence)
    assert needed == pytest.approx(2 * 100.0 * ((fixes / 0.3) ** (1 / failures) - 1))


def test_the_order_of_before_and_after_changes_nothing():
    assert rate_change.rate_change_p(7, 40.0, 2, 60.0) == pytest.approx(rate_change.rate_change_p(2, 60.0, 7, 40.0))
    with pytest.raises(ValueError, match="count_after must be a whole number"):
        rate_change.rate_change_p(7, 40.0, 2.5, 60.0)
