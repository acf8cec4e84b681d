"""Turning back some way out against root finding, and its uncertainty against correlated propagation."""

import pint
import pytest
import uncertainties
from scipy.optimize import brentq

from calc import endurance


def test_what_may_be_spent():
    # pint 0.25.3: 2.177 28 MJ is 604.8 Wh; a quarter of it used, a fifth of the whole kept.
    unit = pint.UnitRegistry()
    usable, used = 2.17728 * unit.megajoule, 0.25 * 2.17728 * unit.megajoule
    expected = (0.8 * usable - used).to("watt_hour").magnitude
    given = [energy.to("watt_hour").magnitude for energy in (usable, used)]
    assert endurance.remaining_energy_wh(*given, 0.2) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("far_m", [0.0, 3000.0, 8000.0])
@pytest.mark.parametrize(("between", "with_energy"), [(0, 0), (0.6, 0), (1, 0), (-0.5, 0), (0.6, -0.7), (0.6, 0.4)])
def test_uncertainty_some_way_out(far_m, between, with_energy):
    # uncertainties 3.2.3 with a correlation matrix (JCGM 100:2008, 5.2.2).
    matrix = [[1, with_energy, with_energy], [with_energy, 1, between], [with_energy, between, 1]]
    measures = [(900.0, 40.0), (35.0, 2.0), (44.0, 3.0)]
    energy, out, home = uncertainties.correlated_values_norm(measures, matrix)
    expected = 1000 * (energy - 0.15 * 1800.0 - home * far_m / 1000) / (out + home)
    measured = endurance.turn_back_distance(
        900.0, 1800.0, 0.15, 35.0, 44.0, 40.0, 2.0, 3.0,
        distance_from_home_m=far_m, consumption_correlation=between, energy_consumption_correlation=with_energy,
    )  # fmt: skip
    assert measured.value == pytest.approx(expected.nominal_value, rel=1e-12)
    assert measured.u == pytest.approx(expected.std_dev, rel=1e-6)


@pytest.mark.parametrize("far_m", [0.0, 2000.0, 12000.0])
def test_turning_back_by_root_finding(far_m):
    # scipy 1.17.1 brentq on the energy over at home, in joules (1 Wh/km is 3.6 J/m); a pack of 1500 Wh.
    def over_j(farther_m):
        return (900.0 - 1500.0 * 0.15) * 3600 - 35.0 * 3.6 * farther_m - 44.0 * 3.6 * (farther_m + far_m)

    expected_m = brentq(over_j, 0.0, 1e5, xtol=1e-9)
    assert endurance.turn_back_distance_m(900.0, 1500.0, 0.15, 35.0, 44.0, far_m) == pytest.approx(expected_m, rel=1e-9)
    assert endurance.home_margin_wh(900.0, 1500.0, 0.15, 44.0, far_m) == pytest.approx(over_j(0.0) / 3600.0)
