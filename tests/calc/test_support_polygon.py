import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc import stability, support_polygon
from tests.calc.kernel_cases import CHECKS, Case

THREE = [(1.5, 0.0), (0.0, 0.5), (0.0, -0.5)]
FOUR = [(0.9, 0.42), (0.9, -0.42), (-0.6, -0.35), (-0.6, 0.35)]
CENTRE = [0.5, 0.02, 0.5]
CASES = [
    Case(stability.tip_over_g, {"contacts_xy_m": THREE, "cg_xyz_m": CENTRE, "direction_deg": [0.0, 90.0, 200.0]}),
    Case(
        stability.contact_loads_n,
        {"contacts_xy_m": THREE, "cg_xyz_m": CENTRE, "mass_kg": 150.0, "acceleration_xy_mps2": [-1.0, 2.0]},
    ),
    Case(support_polygon.tip_over_edges, {"contacts_xy_m": FOUR, "cg_xyz_m": CENTRE}),
    Case(
        support_polygon.cornering_limit,
        {"contacts_xy_m": THREE, "cg_xyz_m": CENTRE, "forward_g": -0.2},
        edges=[{"forward_g": -9.0}],
    ),
    Case(
        support_polygon.elastic_contact_loads,
        {
            "contacts_xy_m": FOUR,
            "stiffness_n_per_m": [1e4, 1e4, 2e4, 2e4],
            "cg_xyz_m": CENTRE,
            "mass_kg": 150.0,
            "acceleration_xy_mps2": [0.0, 2.0],
        },
    ),
    Case(
        support_polygon.centre_in_space,
        {
            "mass_kg": [60.0, 40.0],
            "u_mass_kg": [0.6, 0.4],
            "places_m": [(0.5, 0.0, 0.4), (1.0, 0.1, 0.9)],
            "u_places_m": [(0.01, 0.01, 0.01), (0.02, 0.02, 0.02)],
        },
        edges=[{"u_mass_kg": [0.0, 0.0]}],
    ),
    Case(
        support_polygon.height_by_tilting,
        {"distance_m": 0.4, "tilt_deg": 35.0, "u_distance_m": 0.005, "u_tilt_deg": 0.5},
        edges=[{"u_tilt_deg": 0.0}],
    ),
]


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


@given(angle=st.floats(0, 360), x=st.floats(0.2, 0.9), h=st.floats(0.2, 1.0))
def test_at_the_threshold_one_contact_carries_nothing_and_none_is_pulled(angle, x, h):
    centre = (x, 0.0, h)
    limit_g = stability.tip_over_g(THREE, centre, angle)
    pull = limit_g * stability.STANDARD_GRAVITY_MPS2 * np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
    loads = stability.contact_loads_n(THREE, centre, 100.0, pull)
    assert loads.min() == pytest.approx(0.0, abs=1e-6 * 100 * stability.STANDARD_GRAVITY_MPS2)


@given(angle=st.floats(0, 360))
def test_no_direction_is_steadier_than_its_edge_allows(angle):
    weakest = support_polygon.tip_over_edges(FOUR, CENTRE).threshold_g.min()
    assert stability.tip_over_g(FOUR, CENTRE, angle) >= weakest - 1e-12


def test_springs_of_three_contacts_carry_what_statics_says_whatever_their_stiffness():
    by_statics = stability.contact_loads_n(THREE, CENTRE, 150.0, (0.5, -0.5))
    by_springs = support_polygon.elastic_contact_loads(THREE, [1e4, 5e4, 2e3], CENTRE, 150.0, (0.5, -0.5))
    assert by_springs == pytest.approx(by_statics)


def test_a_contact_that_lifts_carries_nothing_and_the_others_all():
    loads = support_polygon.elastic_contact_loads(FOUR, [1e4] * 4, (0.1, 0.0, 0.5), 100.0, (0.0, 6.8))
    assert loads.min() == 0.0
    assert loads.sum() == pytest.approx(100.0 * stability.STANDARD_GRAVITY_MPS2)


def test_a_contact_inside_the_outline_changes_no_threshold():
    assert stability.tip_over_g([*FOUR, (0.1, 0.0)], CENTRE, 90.0) == stability.tip_over_g(FOUR, CENTRE, 90.0)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: stability.tip_over_g([(0, 0), (1, 0)], CENTRE, 0.0), "at least 3"),
        (lambda: stability.tip_over_g([(0, 0), (1, 0), (2, 0)], CENTRE, 0.0), "one line"),
        (lambda: stability.tip_over_g(THREE, (2.0, 0.0, 0.5), 0.0), "between the contacts"),
        (lambda: stability.tip_over_g(THREE, (0.5, 0.0, 0.0), 0.0), "above the ground"),
        (lambda: stability.tip_over_g(THREE, (0.5, 0.0), 0.0), "x, y and z"),
        (lambda: stability.contact_loads_n(FOUR, CENTRE, 100.0), "3 contacts"),
        (lambda: support_polygon.elastic_contact_loads(FOUR, [1.0], CENTRE, 100.0), "as long as"),
        (lambda: support_polygon.elastic_contact_loads(FOUR, [1.0] * 4, CENTRE, 100.0, (0.0, 30.0)), "tips"),
        (lambda: support_polygon.centre_in_space([1.0], [0.1], [(0, 0)], [(0, 0)]), "as long as"),
        (lambda: support_polygon.centre_in_space([0.0], [0.1], [(0, 0, 0)], [(0, 0, 0)]), "more than 0 kg"),
    ],
)
def test_impossible_machines_are_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
