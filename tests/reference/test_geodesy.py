"""Distances against published geodesics, geographiclib 2.1 and gpxpy 1.6.2."""

from pathlib import Path

import gpxpy
import pytest
from geographiclib.geodesic import Geodesic

from calc import geodesy

SAMPLE = Path(__file__).parent / "data" / "sample.gpx"


def test_flinders_peak_to_buninyong():
    # Geocentric Datum of Australia Technical Manual, Vincenty example: 54 972.271 m (GRS80; WGS84 agrees to 0.1 µm).
    metres = geodesy.distance_m(-37.95103341667, 144.42486788889, -37.65282113889, 143.92649552778)
    assert metres == pytest.approx(54972.271, abs=1e-3)


def test_published_test_case_of_the_geodesic_library():
    # geographiclib 2.1, test_geodesic.py, first and third case.
    cases = [
        ((35.60777, -139.44815, -11.17491, -69.95921), 8935244.5604818305),
        ((-21.97856, 142.59065, 41.84138, 98.56635), 8394328.894657671),
    ]
    for points, metres in cases:
        assert geodesy.distance_m(*points) == pytest.approx(metres, abs=1e-6)


@pytest.mark.parametrize(("lat", "lon"), [(0.0, 0.0), (45.0, 7.0), (60.0, 25.0), (-75.0, 179.9995), (84.0, -30.0)])
def test_track_length_against_geodesics(lat, lon):
    # geographiclib 2.1, three short legs anywhere on earth, over the date line too.
    lats = [lat, lat + 0.0009, lat + 0.0012, lat + 0.002]
    lons = [(value + 180) % 360 - 180 for value in (lon, lon + 0.001, lon + 0.003, lon + 0.0005)]
    expected = sum(
        Geodesic.WGS84.Inverse(lats[i], lons[i], lats[i + 1], lons[i + 1])["s12"] for i in range(len(lats) - 1)
    )
    assert geodesy.track_length_m(lats, lons) == pytest.approx(expected, rel=1e-6)


def test_gpx_track():
    # gpxpy 1.6.2 uses a sphere of equatorial radius, 0.17 % short at 60° N; geographiclib 2.1 is exact.
    track = gpxpy.parse(SAMPLE.read_text())
    points = track.tracks[0].segments[0].points
    ours = geodesy.track_length_m([p.latitude for p in points], [p.longitude for p in points])
    assert ours == pytest.approx(track.length_2d(), rel=3e-3)
    assert ours == pytest.approx(342.629662, abs=1e-3)


def test_local_metres_against_geodesics():
    # geographiclib 2.1.
    places = geodesy.local_metres([60.0, 60.0009, 60.0], [25.0, 25.0, 25.0018])
    assert places.north_m[1] == pytest.approx(100.271066, rel=1e-4)
    assert places.east_m[2] == pytest.approx(100.440003, rel=1e-4)


def test_two_fixes():
    # uncertainties 3.2.3.
    from uncertainties import ufloat

    assert geodesy.fix_distance_u_m(2.5) == pytest.approx((ufloat(100, 2.5) - ufloat(0, 2.5)).std_dev)
