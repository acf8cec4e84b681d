import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc import geodesy
from tests.calc.kernel_cases import CHECKS, Case

CASES = [
    Case(
        geodesy.distance_m,
        {"lat1_deg": 60.0, "lon1_deg": 25.0, "lat2_deg": 60.001, "lon2_deg": 25.0},
        edges=[{"lat1_deg": 90.0}, {"lon1_deg": -180.0}, {"lon2_deg": 180.0}, {"lat2_deg": -90.0}],
    ),
    Case(geodesy.local_metres, {"lat_deg": [60.0, 60.001], "lon_deg": [25.0, 25.001]}),
    Case(geodesy.track_length_m, {"lat_deg": [60.0, 60.001], "lon_deg": [25.0, 25.001], "minimum_step_m": 0.0}),
    Case(geodesy.fix_distance_u_m, {"u_fix_m": 2.0}, edges=[{"u_fix_m": 1e-9}]),
]


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


@given(lat=st.floats(-85, 85), lon=st.floats(-179, 179), north=st.floats(-0.01, 0.01), east=st.floats(-0.01, 0.01))
def test_distance_is_the_same_both_ways(lat, lon, north, east):
    there = geodesy.distance_m(lat, lon, lat + north, lon + east)
    assert geodesy.distance_m(lat + north, lon + east, lat, lon) == pytest.approx(there, abs=1e-6)


def test_a_receiver_that_wanders_while_standing_adds_nothing():
    wander = [60.0, 60.00001, 60.0, 60.00001, 60.0]  # about 1 m to and fro
    assert geodesy.track_length_m(wander, [25.0] * 5) > 4.0
    assert geodesy.track_length_m(wander, [25.0] * 5, minimum_step_m=3.0) == 0.0
