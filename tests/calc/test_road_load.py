import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc import least_squares, resistance, road_load
from tests.calc.kernel_cases import CHECKS, Case

CASES = [
    Case(least_squares.polynomial_fit, {"x": [0.0, 1.0, 2.0, 3.0], "y": [1.0, 3.1, 4.9, 7.0], "degree": 1}),
    Case(
        road_load.force_n,
        {"speed_mps": 10.0, "a_n": 50.0, "b_n_per_mps": 1.0, "c_n_per_mps2": 0.4},
        edges=[{"speed_mps": 0.0}],
    ),
    Case(
        road_load.power_w,
        {"speed_mps": 10.0, "a_n": 50.0, "b_n_per_mps": 1.0, "c_n_per_mps2": 0.4},
        edges=[{"a_n": 0.0}],
    ),
    Case(
        road_load.coast_down_time_s,
        {"mass_kg": 200.0, "a_n": 50.0, "b_n_per_mps": 1.0, "c_n_per_mps2": 0.4, "from_mps": 15.0, "to_mps": 5.0},
        edges=[{"to_mps": 0.0}, {"b_n_per_mps": 0.0}, {"c_n_per_mps2": 0.0}, {"b_n_per_mps": 20.0}],
    ),
    Case(
        road_load.fit_steady_speed,
        {"speed_mps": [5.0, 10.0, 15.0], "power_w": [300.0, 900.0, 2100.0], "efficiency": 0.8},
    ),
    Case(
        resistance.drag_at_density,
        {"drag_n_per_mps2": 0.3, "measured_density_kg_per_m3": 1.2, "wanted_density_kg_per_m3": 1.4},
        edges=[{"drag_n_per_mps2": 0.0}],
    ),
    Case(resistance.rolling_coefficient, {"a_n": 98.0, "mass_kg": 200.0}, edges=[{"a_n": 0.0}]),
    Case(resistance.drag_area_m2, {"c_n_per_mps2": 0.35, "density_kg_per_m3": 1.4}, edges=[{"c_n_per_mps2": 0.0}]),
    Case(
        road_load.top_speed_mps,
        {"power_w": 1000.0, "a_n": 50.0, "b_n_per_mps": 1.0, "c_n_per_mps2": 0.4},
        edges=[{"c_n_per_mps2": 0.0}, {"b_n_per_mps": 0.0, "c_n_per_mps2": 0.0}],
    ),
    Case(
        road_load.consumption_wh_per_km,
        {"speed_mps": 10.0, "a_n": 50.0, "b_n_per_mps": 1.0, "c_n_per_mps2": 0.4, "efficiency": 0.8},
    ),
]


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


@given(power=st.floats(10, 1e5), a=st.floats(1, 500), b=st.floats(0, 10), c=st.floats(0.01, 2))
def test_top_speed_uses_up_the_power(power, a, b, c):
    mps = road_load.top_speed_mps(power, a, b, c)
    assert road_load.power_w(mps, a, b, c) == pytest.approx(power, rel=1e-6)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: road_load.coast_down_time_s(100.0, 1.0, 0.0, 0.0, 5.0, 10.0), "from_mps must be above"),
        (lambda: road_load.coast_down_time_s(100.0, 0.0, 1.0, 0.0, 5.0, 0.0), "never stops"),
        (lambda: road_load.coast_down_time_s(100.0, 0.0, 0.0, 0.0, 5.0, 1.0), "nothing holds"),
        (lambda: road_load.top_speed_mps(100.0, 0.0, 0.0, 0.0), "nothing holds"),
        (lambda: road_load.polynomial_fit([0.0, 1.0], [0.0, 1.0], 1), "more than 2 points"),
        (lambda: road_load.polynomial_fit([1.0, 1.0, 1.0], [0.0, 1.0, 2.0], 1), "different values"),
        (lambda: road_load.polynomial_fit([0.0, 1.0, 2.0], [0.0, 1.0, 2.0], 9), "degree"),
        (lambda: road_load.fit_steady_speed([1.0, 2.0], [3.0], 0.8), "as long as"),
    ],
)
def test_impossible_roads_are_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
