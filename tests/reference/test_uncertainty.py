"""Against worked examples of JCGM 100:2008 and the library uncertainties 3.2.3."""

import math

import pytest
import uncertainties

from calc import uncertainty


def test_gum_h1_end_gauge():
    # JCGM 100:2008, H.1: u_c² = 1002 nm², ν_eff = 16.7 → 16, t99(16) = 2.92, U99 = 93 nm.
    contributions, freedoms = [25.0, 9.7, 2.9, 16.6], [18.0, 25.6, 50.0, 2.0]
    u_c = uncertainty.combined_u(contributions)
    assert u_c**2 == pytest.approx(1002, abs=2)
    freedom = uncertainty.effective_degrees_of_freedom(contributions, freedoms)
    assert freedom == pytest.approx(16.7, abs=0.1)
    assert uncertainty.expanded(round(u_c), math.floor(freedom), 0.99) == pytest.approx(93, abs=0.5)


def test_gum_h1_freedom_of_the_comparison():
    # JCGM 100:2008, H.1.6: u(d) from 5.8, 3.9, 6.7 nm with 24, 5, 8 degrees of freedom: 9.7 nm, ν = 25.6.
    assert uncertainty.combined_u([5.8, 3.9, 6.7]) == pytest.approx(9.7, abs=0.05)
    freedom = uncertainty.effective_degrees_of_freedom([5.8, 3.9, 6.7], [24, 5, 8])
    assert freedom == pytest.approx(25.6, abs=0.3)


def test_gum_g4_1_product():
    # JCGM 100:2008, G.4.1 (from memory): 0.25 %, 0.57 %, 0.82 % with 9, 4, 14 → 1.03 %, ν = 19.0.
    contributions = [0.25, 0.57, 0.82]
    assert uncertainty.combined_u(contributions) == pytest.approx(1.03, abs=0.005)
    assert uncertainty.effective_degrees_of_freedom(contributions, [9, 4, 14]) == pytest.approx(19.0, abs=0.05)


def test_gum_4_3_7_temperature_limits():
    # JCGM 100:2008, 4.4.5 (from memory): 96 °C to 104 °C, rectangular: u = 2.3 °C.
    assert uncertainty.rectangular_u(4.0) == pytest.approx(2.3, abs=0.05)


def test_triangular_is_the_difference_of_two_rectangular():
    # JCGM 100:2008, 4.3.9: the sum of two equal rectangular distributions is triangular. uncertainties 3.2.3.
    item = uncertainties.ufloat(0, uncertainty.rectangular_u(0.5))
    other = uncertainties.ufloat(0, uncertainty.rectangular_u(0.5))
    assert uncertainty.triangular_u(1.0) == pytest.approx((item - other).std_dev)


@pytest.mark.parametrize(("dof", "factor"), [(1, 12.706), (5, 2.571), (10, 2.228), (50, 2.009), (math.inf, 1.960)])
def test_student_factors(dof, factor):
    # JCGM 100:2008, table G.2, p = 95 %.
    assert uncertainty.expanded(1.0, dof, 0.95) == pytest.approx(factor, abs=5e-4)
