"""Kernels behind answers: several questions, repeated looks, planning."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc import comparison
from calc.repeated_looks import bounds_that_spend, error_spent
from tests.calc.kernel_cases import CHECKS, Case

CASES = [
    Case(comparison.holm, {"p": [0.01, 0.04, 0.03]}, edges=[{"p": [0.0, 1.0]}, {"p": [0.5]}]),
    Case(
        comparison.spending_bounds,
        {"information": [0.5, 1.0], "alpha": 0.05},
        edges=[{"information": [1e-4, 1.0]}, {"alpha": 1e-9}, {"alpha": 0.999}, {"information": [0.9999, 1.0]}],
    ),
    Case(
        comparison.sessions_for_power,
        {"difference_in_sd": 1.0, "power": 0.8, "alpha": 0.05},
        edges=[{"difference_in_sd": 1e-3}, {"difference_in_sd": 10.0}, {"power": 0.9999}, {"power": 0.0501}],
    ),
]


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


@given(st.lists(st.floats(0, 1), min_size=1, max_size=12))
def test_holm_lies_between_each_p_and_bonferroni(p):
    adjusted, given_p = comparison.holm(p), np.array(p)
    assert (adjusted >= given_p).all()
    assert (adjusted <= np.minimum(1.0, len(p) * given_p)).all()
    order = np.argsort(given_p)
    assert (np.diff(adjusted[order]) >= 0).all()


def test_holm_of_no_questions_is_refused():
    with pytest.raises(ValueError, match="one value for each question"):
        comparison.holm([])


def test_information_must_grow():
    with pytest.raises(ValueError, match="must grow"):
        comparison.spending_bounds([0.5, 0.5], 0.05)
    with pytest.raises(ValueError, match="must not fall"):
        bounds_that_spend([0.5, 1.0], [0.02, 0.01])


def test_one_look_at_the_planned_information_is_the_plain_test():
    assert comparison.spending_bounds([1.0], 0.05)[0] == pytest.approx(1.959964, abs=1e-6)


def test_nothing_is_left_after_the_plan():
    bounds = comparison.spending_bounds([0.5, 1.0, 1.5], 0.05)
    assert np.isfinite(bounds[:2]).all()
    assert bounds[2] == np.inf


def test_many_close_looks_spend_what_they_may():
    """By drawing paths: all looks together err with alpha."""
    information = np.linspace(0.1, 1.0, 19)
    bounds = comparison.spending_bounds(information, 0.05)
    steps = np.random.default_rng(20).standard_normal((400_000, 19)) * np.sqrt(np.diff(information, prepend=0.0))
    crossed = np.abs(np.cumsum(steps, axis=1)) / np.sqrt(information) >= bounds
    spent = crossed.cumsum(axis=1).astype(bool).mean(axis=0)
    np.testing.assert_allclose(spent, error_spent(information, 0.05), atol=4 * np.sqrt(0.05 * 0.95 / 400_000))


@given(st.floats(0.02, 4.0), st.floats(0.3, 0.95), st.floats(0.001, 0.2))
def test_sessions_for_power_give_that_power(effect, power, alpha):
    if power <= alpha:
        return
    from statsmodels.stats.power import TTestIndPower

    sessions = comparison.sessions_for_power(effect, power, alpha)
    assert TTestIndPower().power(effect, sessions, alpha) == pytest.approx(power, abs=1e-4)


def test_a_power_that_needs_no_session_is_refused():
    with pytest.raises(ValueError, match="above alpha"):
        comparison.sessions_for_power(1.0, power=0.05, alpha=0.05)


def test_several_differences_at_once():
    counts = comparison.sessions_for_power(np.array([[0.5, 1.0]]), 0.8, 0.05)
    assert counts.shape == (1, 2)
    assert counts[0, 0] == comparison.sessions_for_power(0.5, 0.8, 0.05)
