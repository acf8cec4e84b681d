import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc import stability
from tests.calc.kernel_cases import CHECKS, Case

CASES = [
    Case(
        stability.centre_of_gravity,
        {"mass_kg": [60.0, 40.0], "x_m": [0.5, 1.0], "z_m": [0.4, 0.9]},
        edges=[{"mass_kg": [0.0, 1.0]}],
    ),
    Case(
        stability.shift_by_moving_a_part,
        {"part_mass_kg": 20.0, "total_mass_kg": 200.0, "forward_m": 0.1, "up_m": -0.3},
        edges=[{"part_mass_kg": 0.0}],
    ),
    Case(
        stability.after_changes,
        {"mass_kg": 100.0, "cg_height_m": 0.4, "change_kg": [-20.0, 12.0], "change_z_m": [0.3, 0.8]},
        edges=[{"change_kg": [-99.0, 0.0]}, {"change_z_m": [-1.0, 0.0]}],
    ),
    Case(
        stability.contact_loads,
        {"mass_kg": 100.0, "cg_forward_m": 0.5, "wheelbase_m": 2.0},
        edges=[{"cg_forward_m": 0.0}, {"cg_forward_m": 2.0}],
    ),
    Case(stability.static_stability_factor, {"track_width_m": 1.2, "cg_height_m": 0.45}),
    Case(
        stability.three_contact_threshold_g,
        {"track_width_m": 1.2, "cg_height_m": 0.45, "wheelbase_m": 1.8, "cg_from_single_contact_m": 1.2},
        edges=[{"cg_from_single_contact_m": 0.0}, {"cg_from_single_contact_m": 1.8}],
    ),
    Case(stability.fastest_turn, {"radius_m": 15.0, "threshold_g": 0.9, "friction": 0.3}),
]


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


@given(width=st.floats(0.3, 3), height=st.floats(0.1, 2), base=st.floats(0.5, 4), share=st.floats(0, 1))
def test_three_contacts_are_never_steadier_than_four(width, height, base, share):
    three = stability.three_contact_threshold_g(width, height, base, share * base)
    assert three <= stability.static_stability_factor(width, height) + 1e-12


@given(mass=st.floats(1, 1e3), base=st.floats(0.5, 4), share=st.floats(0, 1))
def test_contact_loads_add_up_to_the_weight(mass, base, share):
    loads = stability.contact_loads(mass, share * base, base)
    assert loads.rear_n + loads.front_n == pytest.approx(mass * 9.80665)


def test_moving_a_part_agrees_with_weighing_again():
    before = stability.centre_of_gravity([180.0, 20.0], [0.8, 0.3], [0.5, 0.6])
    after = stability.centre_of_gravity([180.0, 20.0], [0.8, 0.7], [0.5, 0.2])
    shift = stability.shift_by_moving_a_part(20.0, 200.0, forward_m=0.4, up_m=-0.4)
    assert after.x_m - before.x_m == pytest.approx(shift.forward_m)
    assert after.z_m - before.z_m == pytest.approx(shift.up_m)


def test_without_a_change_a_measured_machine_stays_as_it_is():
    assert stability.after_changes(118.0, 0.41, [], []) == (118.0, 0.41)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: stability.centre_of_gravity([1.0], [0.0, 1.0], [0.0]), "as long as"),
        (lambda: stability.centre_of_gravity([0.0], [0.0], [0.0]), "more than 0 kg"),
        (lambda: stability.contact_loads(100.0, 2.5, 2.0), "at most wheelbase_m"),
        (lambda: stability.three_contact_threshold_g(1.0, 0.4, 1.5, 1.6), "at most wheelbase_m"),
        (lambda: stability.shift_by_moving_a_part(30.0, 20.0, 0.0, 0.0), "at most total_mass_kg"),
        (lambda: stability.after_changes(10.0, 0.4, [-10.0], [0.3]), "leave a mass above 0 kg"),
        (lambda: stability.after_changes(10.0, 0.4, [1.0], [0.3, 0.2]), "as long as change_kg"),
    ],
)
def test_impossible_machines_are_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
