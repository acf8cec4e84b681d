import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc import comparison
from tests.calc.kernel_cases import CHECKS, Case

CASES = [
    Case(comparison.mean_interval, {"values": [1.0, 2.0, 3.0], "confidence": 0.95}),
    Case(comparison.welch, {"a": [1.0, 2.0, 3.0], "b": [2.0, 2.5, 4.0], "confidence": 0.95}),
    Case(
        comparison.sessions_needed,
        {"difference": 1.0, "standard_deviation": 1.0, "confidence": 0.95, "power": 0.8},
        edges=[{"difference": 1e6}, {"difference": 1e-6}],
    ),
    Case(
        comparison.sessions_needed_roughly,
        {"difference": 1.0, "standard_deviation": 1.0, "confidence": 0.95, "power": 0.8},
        edges=[{"difference": 1e6}, {"difference": 1e-6}],
    ),
    Case(
        comparison.adjusted_difference,
        {
            "a": [5.0, 6.1, 6.9],
            "a_covariate": [1.0, 2.0, 3.0],
            "b": [1.0, 2.1, 2.9],
            "b_covariate": [1.0, 2.0, 3.0],
            "confidence": 0.95,
        },
    ),
]


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


@given(st.lists(st.integers(-1000, 1000), min_size=2, max_size=8, unique=True), st.integers(-50, 50))
def test_shifting_one_group_shifts_the_difference(values, shift):
    shifted = comparison.welch([value + shift for value in values], values)
    assert shifted.difference == pytest.approx(shift, abs=1e-6)


@given(small=st.floats(0.3, 2), more=st.floats(0.1, 2))
def test_a_larger_difference_never_needs_more_sessions(small, more):
    assert comparison.sessions_needed(small + more, 1.0) <= comparison.sessions_needed(small, 1.0)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: comparison.mean_interval([1.0]), "at least 2"),
        (lambda: comparison.welch([1.0, 1.0], [2.0, 2.0]), "no spread"),
        (lambda: comparison.adjusted_difference([1.0, 2.0], [0.0, 0.0], [3.0, 4.0], [1.0, 1.0]), "must vary"),
        (lambda: comparison.adjusted_difference([1.0, 2.0], [0.0], [3.0, 4.0], [1.0, 1.0]), "as long as"),
    ],
)
def test_too_little_to_judge_is_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()


@given(st.floats(0.2, 5.0), st.floats(0.9, 0.99), st.floats(0.8, 0.95))
def test_the_rough_count_is_never_above_the_exact_one(effect, confidence, power):
    rough = comparison.sessions_needed_roughly(effect, 1.0, confidence, power)
    assert rough <= comparison.sessions_needed(effect, 1.0, confidence, power)
