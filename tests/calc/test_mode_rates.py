import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc import mode_rates
from tests.calc.kernel_cases import CHECKS, Case

GOOD = {"counts": [9.0, 1.0, 0.0], "exposures": [100.0, 100.0, 80.0]}
CASES = [
    Case(mode_rates.shrunk_rates, GOOD, edges=[{"counts": [0.0, 0.0, 0.0]}]),
    Case(mode_rates.shrunk_upper_limits, {**GOOD, "confidence": 0.9}, edges=[{"counts": [0.0, 0.0, 0.0]}]),
]


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


@given(st.lists(st.tuples(st.integers(0, 60), st.floats(0.5, 500)), min_size=1, max_size=12))
def test_a_shrunk_rate_lies_between_its_own_and_the_rest(rows):
    counts, exposures = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
    own, shrunk = counts / exposures, mode_rates.shrunk_rates(counts, exposures)
    middle = mode_rates.rate_prior(counts, exposures).mean
    low, high = np.minimum(own, middle), np.maximum(own, middle)
    assert (shrunk >= low - 1e-9).all()
    assert (shrunk <= high + 1e-9).all()


def test_rates_that_cannot_be_told_apart_are_one():
    assert mode_rates.shrunk_rates([2, 2, 2], [10.0, 10.0, 10.0]).tolist() == [0.2, 0.2, 0.2]
    assert mode_rates.shrunk_rates([3], [2.0]).tolist() == [1.5]
    assert mode_rates.shrunk_rates([0, 0], [2.0, 3.0]).tolist() == [0.0, 0.0]


@pytest.mark.parametrize(
    ("counts", "exposures", "words"),
    [([1, 2], [3.0], "one value for each count"), ([1.5, 2], [3.0, 4.0], "whole numbers")],
)
def test_what_does_not_fit_together_is_refused(counts, exposures, words):
    with pytest.raises(ValueError, match=words):
        mode_rates.shrunk_rates(counts, exposures)
