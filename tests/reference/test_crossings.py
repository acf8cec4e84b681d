"""Times at the marks of a gate against the law of propagation, geographiclib 2.1 and the Rayleigh distribution."""

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from scipy import stats

from calc import crossings, geodesy


@pytest.mark.parametrize(("share", "factor"), [(0.0, 1.0), (0.25, 0.790569), (0.5, 0.707107)])
def test_scatter_of_an_interpolated_crossing(share, factor):
    # JCGM 100:2008, 5.1.2: u(t) = (σ/v) √[f² + (1 − f)²] for a mark at the fraction f between two fixes; the time
    # between two such marks has √2 of it. σ 0.02 m, v 10 m/s, a fix every 0.1 s.
    draws = np.random.default_rng(20261128)
    time_s = np.arange(40) * 0.1
    durations = []
    for _ in range(4000):
        east_m = 10.0 * time_s - 10.0 - share + draws.normal(0, 0.02, time_s.size)
        durations += [item.duration_s for item in _through(time_s, east_m)]
    assert len(durations) == 4000
    assert np.mean(durations) == pytest.approx(2.0, abs=2e-4)
    assert np.std(durations) == pytest.approx(np.sqrt(2.0) * 0.002 * factor, rel=0.05)


def _through(time_s, east_m):
    return crossings.gate_passes(time_s, east_m, 0 * time_s, [0.0, 20.0], [0.0, 0.0], [0.0, 20.0])


def test_a_gate_on_the_ellipsoid():
    # geographiclib 2.1: a line of 200 m at 60° N, ridden at 10 m/s; the marks 100 m apart on it.
    line = Geodesic.WGS84.Line(60.0, 25.0, 35.0)
    places = [line.Position(10.0 * second + 3.0) for second in range(21)]
    marks = [line.Position(metres) for metres in (50.0, 150.0)]
    plane = geodesy.local_metres(*([point[key] for point in [*marks, *places]] for key in ("lat2", "lon2")))
    (out,) = crossings.gate_passes(
        np.arange(21.0), plane.east_m[2:], plane.north_m[2:], plane.east_m[:2], plane.north_m[:2], [0.0, 100.0]
    )
    assert out.is_out
    assert out.mark_s == pytest.approx((4.7, 14.7), abs=1e-3)


def test_the_radius_that_holds_68_percent():
    # As many as lie within one standard deviation of a normal error: scipy 1.17.1.
    assert stats.rayleigh.cdf(crossings.SHARE_WITHIN) == pytest.approx(stats.norm.cdf(1) - stats.norm.cdf(-1), abs=5e-4)
