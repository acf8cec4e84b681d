"""The support polygon against a published formula, moments worked by hand, and scipy's and numpy's geometry."""

import numpy as np
import pytest
from scipy.spatial import ConvexHull
from uncertainties import ufloat

from calc import stability, support_polygon

FOUR = [(0.9, 0.42), (0.9, -0.42), (-0.6, -0.35), (-0.6, 0.35)]
CENTRE = (0.1, 0.03, 0.55)


@pytest.mark.parametrize(("from_single", "threshold"), [(0.5, 1 / 3), (1.0, 2 / 3)])
@pytest.mark.parametrize("direction", [90.0, -90.0])
def test_three_contacts_by_the_published_formula(from_single, threshold, direction):
    # a_y/g = T b/(2 L h), b from the single wheel: T 1.0, L 1.5, h 0.5 (geometry of Huston, Graves and Johnson, SAE
    # 820139, 1982; the same by the moment about the tip axis, solved with scipy brentq).
    contacts = [(0.0, 0.0), (1.5, 0.5), (1.5, -0.5)]
    assert stability.tip_over_g(contacts, (from_single, 0.0, 0.5), direction) == pytest.approx(threshold)
    assert stability.three_contact_threshold_g(1.0, 0.5, 1.5, from_single) == pytest.approx(threshold)


@pytest.mark.parametrize(
    ("from_single", "distance", "about_axis", "about_long"),
    [(0.5, 0.158114, 17.5484, 18.4349), (1.0, 0.316228, 32.3115, 33.6901), (1.2, 0.379473, 37.1966, 38.6598)],
)
def test_tilt_about_the_oblique_axis_is_the_smaller(from_single, distance, about_axis, about_long):
    # Geometry by hand: d = b sin θ with tan θ = T/2L; tilt atan(d/h) about the axis, atan(a_y/g) about the long axis.
    contacts = [(0.0, 0.0), (1.5, 0.5), (1.5, -0.5)]
    edges = support_polygon.tip_over_edges(contacts, (from_single, 0.0, 0.5))
    oblique = np.abs(np.abs(edges.outward_deg) - 90.0) < 45.0
    assert edges.distance_m[oblique] == pytest.approx([distance] * 2, abs=1e-6)
    assert edges.tilt_deg[oblique] == pytest.approx([about_axis] * 2, abs=1e-4)
    sideways = stability.tip_over_g(contacts, (from_single, 0.0, 0.5), 90.0)
    assert np.degrees(np.arctan(sideways)) == pytest.approx(about_long, abs=1e-4)


def test_every_edge_of_a_polygon_against_scipy():
    # scipy 1.17, ConvexHull.equations: left 0.352283 m and 32.6402°, front 0.8 and 55.4915°, rear 0.7 and 51.8428°,
    # right 0.412218 and 36.8511°.
    hull = ConvexHull(np.array(FOUR))
    expected = sorted(-(hull.equations[:, :2] @ CENTRE[:2] + hull.equations[:, 2]))
    edges = support_polygon.tip_over_edges(FOUR, CENTRE)
    assert sorted(edges.distance_m) == pytest.approx(expected)
    assert sorted(edges.tilt_deg) == pytest.approx([32.6402, 36.8511, 51.8428, 55.4915], abs=1e-4)


def test_four_wheels_stand_when_the_track_is_twice_the_height():
    # Huston, Graves and Johnson, SAE 820139 (1982), abstract: threshold of 1 g at T = 2 h.
    square = [(0.8, 0.5), (0.8, -0.5), (-0.8, -0.5), (-0.8, 0.5)]
    assert stability.tip_over_g(square, (0.0, 0.0, 0.5), 90.0) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("centre", "loads"),
    [((0.1, 0.03), (406.25, 293.75, 800.0)), ((0.4, 0.0), (500.0, 500.0, 500.0)), ((-0.6, 0.0), (0.0, 0.0, 1500.0))],
)
def test_three_loads_by_moments(centre, loads):
    # 1500 N on (0.9, 0.4), (0.9, −0.4), (−0.6, 0): three equations, worked by hand and with numpy linalg.solve.
    contacts = [(0.9, 0.4), (0.9, -0.4), (-0.6, 0.0)]
    mass = 1500.0 / stability.STANDARD_GRAVITY_MPS2
    assert stability.contact_loads_n(contacts, (*centre, 0.5), mass) == pytest.approx(loads)


def test_braking_in_a_turn_by_hand():
    # (1.5, 0), (0, ±0.5), C (0.5, 0, 0.5): braking at 0.3 g brings the point 0.15 m forward, to 0.65 m, where the
    # outline is 0.5 (1 − 0.65/1.5) = 0.28333 m wide to each side: 0.28333/0.5 = 0.56667 g.
    limit = support_polygon.cornering_limit([(1.5, 0), (0, 0.5), (0, -0.5)], (0.5, 0.0, 0.5), -0.3)
    assert limit == pytest.approx((0.56667, 0.56667), abs=1e-5)


def test_four_springs_against_least_squares():
    # numpy 2.4, lstsq: of equal springs the loads are the smallest in the sum of squares that balance.
    rows = np.vstack([np.ones(4), np.array(FOUR).T])
    weight = 150.0 * stability.STANDARD_GRAVITY_MPS2
    expected = np.linalg.lstsq(rows, weight * np.array([1.0, *CENTRE[:2]]), rcond=None)[0]
    assert support_polygon.elastic_contact_loads(FOUR, [2e4] * 4, CENTRE, 150.0) == pytest.approx(expected)


def test_uncertainty_of_the_centre_against_a_reference_library():
    # uncertainties 3.2.
    masses = [ufloat(60, 0.6), ufloat(25, 0.5), ufloat(82, 1.0)]
    heights = [ufloat(0.3, 0.01), ufloat(0.45, 0.02), ufloat(0.75, 0.05)]
    expected = sum(m * z for m, z in zip(masses, heights, strict=True)) / sum(masses)
    centre = support_polygon.centre_in_space(
        [60, 25, 82],
        [0.6, 0.5, 1.0],
        [(0, 0, z.n) for z in heights],
        [(0, 0, z.s) for z in heights],
    )
    assert (centre.z_m, centre.u_z_m) == pytest.approx((expected.n, expected.s), rel=1e-9)


def test_height_by_tilting_against_a_reference_library():
    # uncertainties 3.2 (umath.tan); tan φ = d/h of a rigid body, as NHTSA's definition of the factor.
    from uncertainties import umath

    expected = ufloat(0.42, 0.005) / umath.tan(ufloat(np.radians(37.0), np.radians(0.5)))
    assert support_polygon.height_by_tilting(0.42, 37.0) == pytest.approx((expected.n, expected.s), rel=1e-9)
