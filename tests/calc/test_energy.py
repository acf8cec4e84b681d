import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc import energy
from tests.calc.kernel_cases import CHECKS, Case

CASES = [
    Case(
        energy.energy_from_charge,
        {"charge_ah": 12.0, "mean_voltage_v": 50.0, "u_charge_ah": 0.1, "u_mean_voltage_v": 0.5},
        edges=[{"charge_ah": 0.0}, {"u_charge_ah": 0.0}],
    ),
    Case(
        energy.energy_from_meter,
        {"reading_wh": 500.0, "u_scale_fraction": 0.02, "resolution_wh": 1.0},
        edges=[{"reading_wh": 0.0}],
    ),
    Case(energy.energy_per_distance_wh_per_km, {"energy_wh": 400.0, "distance_m": 1e4}, edges=[{"energy_wh": 0.0}]),
    Case(
        energy.energy_per_distance,
        {"energy_wh": 400.0, "distance_m": 1e4, "u_energy_wh": 8.0, "u_distance_m": 100.0},
        edges=[{"energy_wh": 0.0}],
    ),
]


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


@given(gap=st.floats(0.1, 100), current=st.floats(-100, 100))
def test_charge_of_a_steady_current_does_not_depend_on_sampling(gap, current):
    assert energy.charge_ah([0.0, gap, 3600.0], [current] * 3) == pytest.approx(current)


@given(st.lists(st.floats(-200, 200), min_size=3, max_size=20))
def test_discharge_less_return_is_the_net(currents):
    times = [float(index) for index in range(len(currents))]
    totals = energy.log_totals(times, [50.0] * len(currents), currents)
    assert totals.discharged_ah >= 0
    assert totals.regenerated_ah >= -1e-12
    assert totals.discharged_ah - totals.regenerated_ah == pytest.approx(energy.charge_ah(times, currents), abs=1e-9)


def test_gaps_are_left_out_and_told():
    totals = energy.log_totals([0.0, 10.0, 100.0, 110.0], [50.0] * 4, [36.0] * 4, largest_gap_s=30.0)
    assert totals.gaps_s == 90.0
    assert totals.discharged_ah == pytest.approx(0.2)


@pytest.mark.parametrize(
    ("times", "currents", "words"),
    [
        ([0.0], [1.0], "at least 2"),
        ([0.0, 0.0], [1.0, 1.0], "time_s must grow"),
        ([0.0, 1.0], [1.0], "at least 2"),
        ([0.0, 1.0], [1.0, float("nan")], "current_a must be finite"),
        ([0.0, float("nan")], [1.0, 1.0], "time_s must grow"),
        ([0.0, 1.0], [1.0, float("inf")], "current_a must be finite"),
    ],
)
def test_a_broken_log_is_refused_by_name(times, currents, words):
    with pytest.raises(ValueError, match=words):
        energy.charge_ah(times, currents)


def test_voltage_and_current_must_be_of_one_length():
    with pytest.raises(ValueError, match="voltage_v must be as long"):
        energy.energy_wh([0.0, 1.0], [50.0], [1.0, 1.0])


def test_log_functions_take_quantities():
    from calc.units import quantity_in

    charge = energy.charge_ah.with_units(time=quantity_in([0.0, 1.0], "hour"), current=quantity_in([10.0, 10.0], "A"))
    assert charge.to("A*h").magnitude == pytest.approx(10.0)
    with pytest.raises(ValueError, match="current_a"):
        energy.charge_ah.with_units(time=quantity_in([0.0, 1.0], "hour"), current=quantity_in([10.0, 10.0], "V"))
