"""Moments of two clocks against an independent uncertainty library."""

import pytest
import uncertainties

from calc import two_clocks


def test_two_clocks_combine_in_quadrature():
    # uncertainties 3.2.3, linear propagation of two independent moments.
    expected = uncertainties.ufloat(9.5, 0.12) - uncertainties.ufloat(2.0, 0.05)
    measured = two_clocks.two_clock_duration(first_s=2.0, second_s=9.5, u_first_s=0.05, u_second_s=0.12)
    assert measured.value == pytest.approx(expected.nominal_value)
    assert measured.u == pytest.approx(expected.std_dev)
