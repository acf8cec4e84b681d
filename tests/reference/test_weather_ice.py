"""Air and ice against published charts and tables."""

import math

import pytest

from calc import ice, resistance, weather


@pytest.mark.parametrize(
    ("wind", "cells"),
    [
        (10, [3, -3, -9, -15, -21, -27, -33, -39, -45, -51]),
        (30, [0, -6, -13, -20, -26, -33, -39, -46, -52, -59]),
        (50, [-1, -8, -15, -22, -29, -35, -42, -49, -56, -63]),
    ],
)
def test_environment_canada_chart(wind, cells):
    # Meteorological Service of Canada, Wind Chill Calculation Chart (2006), columns 5 to −40 °C.
    for temperature, cell in zip(range(5, -41, -5), cells, strict=True):
        assert math.floor(weather.wind_chill_c(float(temperature), float(wind)) + 0.5) == cell


@pytest.mark.parametrize(("mph", "fahrenheit", "cell"), [(10, 0, -16), (30, -20, -53), (50, 20, -3), (30, 10, -12)])
def test_us_chart(mph, fahrenheit, cell):
    # US National Weather Service, Windchill Chart (2001), °F and mph; its own rounding and coefficients: within 1 °F.
    celsius = weather.wind_chill_c((fahrenheit - 32) / 1.8, mph * 1.609344)
    assert celsius * 1.8 + 32 == pytest.approx(cell, abs=1.0)


@pytest.mark.parametrize(
    ("chill", "words"), [(-29, "10 to 30"), (-41, "5 to 10"), (-49, "2 to 5"), (-56, "less than 2")]
)
def test_frostbite_table(chill, words):
    # Environment Canada, Wind Chill Index: health hazards.
    assert words in weather.frostbite(float(chill))


def test_ride_wind():
    # NIST SP 811 (2008), B.8: 1 km/h = 1/3.6 m/s.
    assert weather.ride_wind_kmh(50 / 3.6, 20 / 3.6) == pytest.approx(70.0)


@pytest.mark.parametrize(
    ("t", "p", "humidity", "density"),
    [
        (20, 101325, 0.5, 1.199314),
        (20, 101325, 0, 1.204557),
        (20, 100000, 0.5, 1.183557),
        (25, 101325, 0.5, 1.177315),
        (22, 98000, 0.4, 1.152387),
        (15, 101325, 0, 1.225521),
    ],
)
def test_cipm_2007(t, p, humidity, density):
    # Picard et al., Metrologia 45 (2008) 149–155, equation evaluated independently.
    assert weather.air_density_kg_per_m3(t, p, humidity) == pytest.approx(density, abs=2e-6)


@pytest.mark.parametrize(
    ("t", "p", "humidity", "density"),
    [
        (20, 101325, 0.5, 1.199359),
        (0, 101325, 0.5, 1.291625),
        (-20, 101325, 0.8, 1.395249),
        (-10, 95000, 0.7, 1.257657),
    ],
)
def test_humid_air_of_another_model(t, p, humidity, density):
    # CoolProp 8.0.0, humid air; also outside the equation's recommended range.
    assert weather.air_density_kg_per_m3(t, p, humidity) == pytest.approx(density, rel=2e-4)


@pytest.mark.parametrize(("altitude", "pascal"), [(0, 101325), (1000, 89874.6), (2000, 79495.2), (5000, 54019.9)])
def test_standard_atmosphere(altitude, pascal):
    # ISO 2533:1975, geopotential altitude.
    assert weather.standard_pressure_pa(altitude) == pytest.approx(pascal, abs=0.06)


def test_drag_follows_density():
    # ISO 2533:1975: 1.225 kg/m³ at 0 m and 1.111643 kg/m³ at 1000 m.
    assert resistance.drag_at_density(0.4, 1.225, 1.111643) == pytest.approx(0.4 * 0.907464, abs=1e-6)


@pytest.mark.parametrize(("inches", "pounds"), [(4, 800), (8, 3200), (12, 7200), (16, 12800), (20, 20000)])
def test_minnesota_weight_table(inches, pounds):
    # Minnesota DNR, ice thickness guidelines by weight: P = 50 h², pounds and inches (after Gold, 1971).
    a = 50 * 0.45359237 / 2.54**2
    kilograms = ice.gold_load_kg(inches * 2.54, a)
    assert kilograms / 0.45359237 == pytest.approx(pounds)


@pytest.mark.parametrize(
    ("inches", "reached"),
    [(3.9, []), (4, ["walking"]), (6.9, ["walking", "snowmobile or small all-terrain vehicle"])],
)
def test_minnesota_activity_table(inches, reached):
    # Minnesota DNR (2023): 4″ walking, 5–7″ snowmobile or small ATV, 7–8″ side-by-side, 9–10″ small car.
    rows = ice.guideline_rows(inches * 2.54)
    assert [row.use for row in rows if row.reached and row.source == ice.MINNESOTA] == reached


def test_white_ice_doubles_the_thickness():
    # Minnesota DNR: for white ice double the thickness guidelines; 8″ for walking.
    row = next(row for row in ice.guideline_rows(20.0, white_ice=True) if row.use == "walking")
    assert row.thickness_cm == pytest.approx(8 * 2.54)
    assert not row.reached


def test_layered_ice():
    # Canadian practice (from memory): 20 cm clear and 10 cm white count as 25 cm.
    assert ice.effective_thickness_cm(20.0, 10.0) == 25.0
