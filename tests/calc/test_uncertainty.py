import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc import uncertainty
from tests.calc.kernel_cases import CHECKS, Case

CASES = [
    Case(uncertainty.combined_u, {"u": [3.0, 4.0]}, edges=[{"u": [0.0, 0.0]}]),
    Case(uncertainty.rectangular_u, {"half_width": 2.0}, edges=[{"half_width": 0.0}]),
    Case(uncertainty.triangular_u, {"half_width": 2.0}, edges=[{"half_width": 0.0}]),
    Case(uncertainty.effective_degrees_of_freedom, {"u": [1.0, 2.0], "dof": [5.0, math.inf]}),
    Case(
        uncertainty.expanded,
        {"u": 1.0, "dof": 10.0, "confidence": 0.95},
        edges=[{"u": 0.0}, {"dof": math.inf}, {"confidence": 0.999}],
    ),
]


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


@given(scale=st.floats(0.01, 100), u=st.lists(st.floats(0.1, 10), min_size=1, max_size=5))
def test_degrees_of_freedom_do_not_change_with_the_unit(scale, u):
    dof = [5.0] * len(u)
    scaled = uncertainty.effective_degrees_of_freedom([scale * value for value in u], dof)
    assert scaled == pytest.approx(uncertainty.effective_degrees_of_freedom(u, dof))


@pytest.mark.parametrize(
    ("u", "dof", "words"),
    [([1.0], [1.0, 2.0], "as long as"), ([0.0], [3.0], "above 0"), ([1.0], [0.0], "dof"), ([1.0], [math.nan], "dof")],
)
def test_impossible_freedoms_are_refused(u, dof, words):
    with pytest.raises(ValueError, match=words):
        uncertainty.effective_degrees_of_freedom(u, dof)


def test_expanded_needs_a_freedom():
    with pytest.raises(ValueError, match="dof"):
        uncertainty.expanded(1.0, dof=0.0)
