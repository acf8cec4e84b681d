import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc import weather
from tests.calc.kernel_cases import CHECKS, Case

CASES = [
    Case(
        weather.wind_chill_c,
        {"air_temperature_c": -10.0, "wind_kmh": 20.0},
        edges=[{"air_temperature_c": 10.0}, {"wind_kmh": 5.0}, {"air_temperature_c": -60.0}, {"wind_kmh": 250.0}],
    ),
    Case(weather.ride_wind_kmh, {"speed_mps": 10.0, "wind_mps": 5.0}, edges=[{"speed_mps": 0.0}]),
    Case(weather.frostbite, {"wind_chill_c": -30.0}),
    Case(
        weather.standard_pressure_pa, {"altitude_m": 1000.0}, edges=[{"altitude_m": -2000.0}, {"altitude_m": 11000.0}]
    ),
    Case(
        weather.air_density_kg_per_m3,
        {"air_temperature_c": -10.0, "pressure_pa": 101325.0, "relative_humidity": 0.5},
        edges=[{"relative_humidity": 0.0}, {"relative_humidity": 1.0}, {"air_temperature_c": -50.0}],
    ),
]


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


@given(temperature=st.floats(-50, 0), wind=st.floats(6, 100))
def test_more_wind_is_never_warmer(temperature, wind):
    assert weather.wind_chill_c(temperature, wind + 1) < weather.wind_chill_c(temperature, wind)


@given(temperature=st.floats(-40, 40))
def test_colder_air_is_denser(temperature):
    assert weather.air_density_kg_per_m3(temperature - 1) > weather.air_density_kg_per_m3(temperature)


def test_no_wind_chill_is_ever_called_safe():
    for chill in range(-70, 15):
        assert "safe" not in weather.frostbite(float(chill))
