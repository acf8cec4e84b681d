import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc import ice
from tests.calc.kernel_cases import CHECKS, Case

CASES = [
    Case(ice.guideline_rows, {"thickness_cm": 12.0}, edges=[{"thickness_cm": 0.0}]),
    Case(ice.gold_load_kg, {"thickness_cm": 30.0, "a_kg_per_cm2": 4.0}, edges=[{"thickness_cm": 0.0}]),
    Case(
        ice.effective_thickness_cm, {"clear_cm": 20.0, "white_cm": 10.0}, edges=[{"clear_cm": 0.0}, {"white_cm": 0.0}]
    ),
]


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


@given(thickness=st.floats(0.1, 100), a=st.floats(1, 7))
def test_gold_grows_with_the_square(thickness, a):
    assert ice.gold_load_kg(2 * thickness, a) == pytest.approx(4 * ice.gold_load_kg(thickness, a))


@given(thickness=st.floats(0, 100))
def test_white_ice_reaches_no_row_that_clear_ice_does_not(thickness):
    for clear, white in zip(ice.guideline_rows(thickness), ice.guideline_rows(thickness, white_ice=True), strict=True):
        assert clear.reached or not white.reached


def test_nothing_is_ever_called_safe():
    for row in ice.guideline_rows(1000.0):
        assert "safe" not in (row.use + row.source).lower()
