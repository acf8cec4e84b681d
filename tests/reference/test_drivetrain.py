"""Gearing against tabled circumferences and pint 0.25.3."""

import pytest
from pint import UnitRegistry

from calc import drivetrain


@pytest.mark.parametrize(("rpm", "ratio", "circumference", "kmh"), [(3000, 6, 2.050, 61.5), (2700, 5, 1.565, 50.706)])
def test_speed_with_tabled_circumferences(rpm, ratio, circumference, kmh):
    # Circumferences of 26×1.95 (2050 mm) and 20×1.95 (1565 mm): usual cycle-computer table, from memory;
    # the speeds by pint 0.25.3 below.
    unit = UnitRegistry()
    by_pint = (rpm / unit.minute / ratio * circumference * unit.meter).to("km/hour").magnitude
    assert by_pint == pytest.approx(kmh, abs=1e-3)
    assert 3.6 * drivetrain.road_speed_mps(rpm, ratio, circumference) == pytest.approx(by_pint)
    assert drivetrain.motor_speed_rpm(by_pint / 3.6, ratio, circumference) == pytest.approx(rpm)
    assert drivetrain.drive_ratio_for_speed(rpm, by_pint / 3.6, circumference) == pytest.approx(ratio)


def test_no_load_speed():
    # Definition of the motor constant: 190 rpm/V at 48 V.
    assert drivetrain.no_load_speed_rpm(190.0, 48.0) == 9120.0


@pytest.mark.parametrize(("constant", "torque"), [(100, 0.0954929659), (190, 0.0502594557), (1000, 0.0095492966)])
def test_torque_constant(constant, torque):
    # Energy balance: torque × speed = back-EMF × current, so K_t = 1/K_v in radians; pint 0.25.3 converts rpm/V.
    unit = UnitRegistry()
    by_pint = 1 / (constant * unit.revolution / unit.minute / unit.volt).to("radian/second/volt").magnitude
    assert drivetrain.torque_constant_nm_per_a(constant) == pytest.approx(by_pint)
    assert by_pint == pytest.approx(torque, rel=1e-8)


def test_temperature_margin():
    # pint 0.25.3: a difference of two Celsius temperatures is a difference, not a temperature.
    unit = UnitRegistry()
    by_pint = unit.Quantity(110, "degC") - unit.Quantity(85, "degC")
    assert by_pint.to("delta_degC").magnitude == drivetrain.temperature_margin_c(110.0, 85.0)
