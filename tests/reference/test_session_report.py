"""A whole session against published figures and independent libraries."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from uncertainties import ufloat

from calc.cell_curve import ASSUMED_CELL_CURVE
from calc.session_facts import LogFacts, PackFacts
from tests.calc.one_session import PassFacts, ReadingFacts, SessionFacts, evaluate


def test_one_pass_of_the_gum_example():
    # JCGM 100:2008, 5.1.6: 100.0 ± 0.02 m in 5.000 s, two events at 60 frames/s: 20.000 m/s, u = 0.0275089 m/s.
    speed = evaluate(SessionFacts(passes=(PassFacts(100.0, 5.0, 0.02, 0.00680414),))).get("average_gate_speed")
    assert (speed.value, speed.u) == pytest.approx((20.0, 0.0275089), abs=5e-8)


def mean_speed_of(passes):
    speed = evaluate(SessionFacts(passes=tuple(passes))).get("average_gate_speed")
    return speed.value, speed.u


def test_several_passes_share_their_gate():
    # uncertainties 3.2.3 and scipy 1.17: one gate length common to all passes; what the mean of all such passes is
    # follows from their scatter, with two degrees of freedom (JCGM 101:2008, 6.4.9).
    length, times = ufloat(100.0, 0.5), np.array([5.0, 5.2, 4.9])
    per_m = 1.0 / times
    wide = stats.t.ppf(0.975, 2) / stats.norm.ppf(0.975)
    expected = length * ufloat(per_m.mean(), wide * per_m.std(ddof=1) / np.sqrt(3))
    passes = [PassFacts(100.0, value, 0.5, 0.05) for value in times.tolist()]
    assert mean_speed_of(passes) == pytest.approx((expected.nominal_value, expected.std_dev))


def test_passes_that_are_alike_are_no_closer_than_they_were_timed():
    # uncertainties 3.2.3: four times of one reading, each with its own error, through one gate.
    length = ufloat(100.0, 0.5)
    expected = sum(length / ufloat(5.0, 0.05) for _ in range(4)) / 4
    passes = [PassFacts(100.0, 5.0, 0.5, 0.05)] * 4
    assert mean_speed_of(passes) == pytest.approx((expected.nominal_value, expected.std_dev))


def test_two_gates_have_a_tape_each():
    # uncertainties 3.2.3: passes through one gate are wrong alike, those through the other differently.
    short, long = ufloat(100.0, 2.0), ufloat(200.0, 2.0)
    expected = (2 * short / 5.0 + 3 * long / 10.0) / 5
    facts = [
        SessionFacts(passes=(PassFacts(100.0, 5.0, 2.0, 0.0),) * 2 + (PassFacts(200.0, 10.0, 2.0, 0.0, gate=1),) * 3)
    ]
    speed = evaluate(facts[0]).get("average_gate_speed")
    assert (speed.value, speed.u) == pytest.approx((expected.nominal_value, expected.std_dev))


@pytest.mark.parametrize("same", [True, False])
def test_both_ways_share_the_tape_of_one_gate(same):
    # uncertainties 3.2.3.
    length = ufloat(100.0, 1.0)
    other = length if same else ufloat(100.0, 1.0)
    expected = (length / ufloat(5.0, 0.05) + other / ufloat(5.6, 0.05)) / 2
    passes = (PassFacts(100.0, 5.0, 1.0, 0.05, "out"), PassFacts(100.0, 5.6, 1.0, 0.05, "back", gate=int(not same)))
    speed = evaluate(SessionFacts(passes=passes)).get("two_way_mean_speed")
    assert (speed.value, speed.u) == pytest.approx((expected.nominal_value, expected.std_dev))


def test_a_logged_discharge():
    # pybamm 26.10.1.1, DFN, Chen2020 (J. Electrochem. Soc. 167 (2020) 080534), 1C: 17.505093 Wh, 4.991930 Ah.
    path = Path(__file__).parent / "data" / "pybamm_discharge.csv"
    time_s, current_a, voltage_v, *_ = np.loadtxt(path, delimiter=",", skiprows=1).T
    report = evaluate(SessionFacts(log=LogFacts.of_series(time_s, voltage_v, current_a), distance_m=1000.0))
    assert report.get("energy_used").value == pytest.approx(17.505093, rel=1e-5)
    assert report.get("charge_used").value == pytest.approx(4.991930, rel=1e-6)
    assert report.get("energy_per_distance").value == pytest.approx(17.505093, rel=1e-5)


PACK = PackFacts(58.8, 50.4, 35.0, 60.0, 3024.0, curve=ASSUMED_CELL_CURVE._replace(
    voltage_v=tuple(14 * volts for volts in ASSUMED_CELL_CURVE.voltage_v)))  # fmt: skip


def of_a_pack(left_wh, usable_wh, used_wh, distance_km):
    """Range of the full pack, remaining range and turn-back distance [m]; a fifth of the pack is kept."""
    per_km = used_wh / distance_km
    above_wh = left_wh - 0.2 * usable_wh
    return [1000 * energy / per_km for energy in (0.8 * usable_wh, above_wh, above_wh / 2)]


def compare(report, expected):
    for key, value in zip(("range", "remaining_range", "turn_back_distance"), expected, strict=True):
        measured = report.get(key)
        assert (measured.value, measured.u) == pytest.approx((value.nominal_value, value.std_dev)), key


def test_range_and_turn_back_of_a_pack_taken_as_full():
    # uncertainties 3.2.3, from meter, distance, the pack's doubt and that of its being full: each is one variable,
    # wherever it occurs.
    used, distance = ufloat(400.0, 8.0), ufloat(10.0, 0.2)
    usable, began = 3024.0 * ufloat(1.0, 0.05), ufloat(1.0, 0.05)
    left = usable * began - used
    facts = SessionFacts(
        distance_m=10_000.0,
        u_distance_m=200.0,
        energy_used_wh=400.0,
        u_energy_used_wh=8.0,
        runtime_s=1800.0,
        u_rest_charge_fraction=0.05,
        pack=PACK,
    )
    report = evaluate(facts)
    measured = report.get("energy_left")
    assert (measured.value, measured.u) == pytest.approx((left.nominal_value, left.std_dev))
    compare(report, of_a_pack(left, usable, used, distance))
    # NIST SP 811 (2008), B.8: 400 Wh in half an hour are 800 W.
    assert report.get("mean_power").value == pytest.approx(800.0)


def test_range_and_turn_back_from_rest_voltages_only():
    # uncertainties 3.2.3: one voltmeter (0.1 V), one pack, and each state of charge with a doubt of its own. The curve
    # is straight around both voltages: 0.1 of the pack from 14 × 3.947906 V to 14 × 4.04208 V, and from 14 × 3.750874 V
    # to 14 × 3.840577 V.
    volts = ufloat(0.0, 0.1)
    before = 0.7 + 0.1 * (55.9 + volts - 14 * 3.947906) / (14 * (4.04208 - 3.947906)) + ufloat(0.0, 0.05)
    after = 0.5 + 0.1 * (53.1 + volts - 14 * 3.750874) / (14 * (3.840577 - 3.750874)) + ufloat(0.0, 0.05)
    holds = ufloat(1.0, 0.05)
    mean_v = (55.9 + 53.1) / 2 + volts + ufloat(0.0, 0.03 * (55.9 + 53.1) / 2)
    used = (before - after) * 60.0 * holds * mean_v
    left, usable = after * 3024.0 * holds, 3024.0 * holds
    facts = SessionFacts(
        distance_m=10_000.0,
        u_distance_m=200.0,
        rest_voltage_start_v=55.9,
        rest_voltage_end_v=53.1,
        u_voltage_v=0.1,
        u_rest_charge_fraction=0.05,
        pack=PACK,
    )
    report = evaluate(facts)
    for key, value in (("energy_used", used), ("energy_left", left)):
        measured = report.get(key)
        assert (measured.value, measured.u) == pytest.approx((value.nominal_value, value.std_dev)), key
    compare(report, of_a_pack(left, usable, used, ufloat(10.0, 0.2)))


@pytest.mark.parametrize(("volts", "factor"), [((52.5, 47.5), 12.706), ((52.9, 49.8, 47.3), 4.303)])
def test_a_few_voltages_under_load_are_widened_by_their_freedom(volts, factor):
    # JCGM 100:2008, 4.2.3 (the mean's own scatter, n − 1 degrees of freedom) and table G.2 (t for 95 %; 1.960 for ∞);
    # uncertainties 3.2.3 for the product.
    scatter = np.std(volts, ddof=1) / np.sqrt(len(volts)) * factor / 1.95996
    used = ufloat(9.0, 0.18) * ufloat(float(np.mean(volts)), np.hypot(scatter, 0.1))
    readings = tuple(ReadingFacts(60.0 * i, value, 30.0) for i, value in enumerate(volts))
    facts = SessionFacts(charge_used_ah=9.0, u_charge_used_ah=0.18, readings=readings, u_voltage_v=0.1, pack=PACK)
    measured = evaluate(facts).get("energy_used")
    assert (measured.value, measured.u) == pytest.approx((used.nominal_value, used.std_dev), rel=1e-4)
    assert ("third voltage" in measured.improve) == (len(volts) == 2)


def test_two_voltages_alike_are_no_closer_than_the_voltmeter_reads():
    # JCGM 100:2008, table G.2: t = 12.706 for one degree of freedom.
    facts = SessionFacts(charge_used_ah=10.0, readings=(ReadingFacts(0.0, 50.0, 30.0), ReadingFacts(9.0, 50.0, 30.0)))
    measured = evaluate(facts).get("energy_used")
    assert measured.u == pytest.approx(10 * np.hypot(0.1, 0.1 / np.sqrt(2) * 12.706 / 1.95996), rel=1e-4)


def test_at_the_reserve_nothing_is_left_to_spend():
    # Definition: a pack of 3024 Wh that keeps a fifth, 604.8 Wh, and has used all else: 48 Ah at 50.4 V.
    facts = SessionFacts(distance_m=40_000.0, runtime_s=3600.0, charge_used_ah=48.0, pack=PACK, reserve_fraction=0.2)
    report = evaluate(facts)
    assert report.get("energy_left").value == pytest.approx(604.8)
    for key in ("remaining_range", "turn_back_distance", "runtime_left"):
        assert report.get(key).value == pytest.approx(0.0, abs=1e-6)
    # One tenth of the pack above the reserve, at 2419.2 W: 302.4 Wh are 450 s.
    report = evaluate(replace(facts, charge_used_ah=42.0, runtime_s=3150.0))
    assert report.get("mean_power").value == pytest.approx(2419.2)
    assert report.get("runtime_left").value == pytest.approx(450.0)
    # Used up altogether it is known to be nothing, not unknown.
    report = evaluate(replace(facts, charge_used_ah=70.0))
    assert report.get("energy_left").value == 0.0
    assert [report.get(key).value for key in ("remaining_range", "turn_back_distance", "runtime_left")] == [0.0] * 3


def test_pack_resistance_of_readings():
    # scipy 1.17, linregress.
    amperes, volts = [5.0, 40.0, 80.0, 60.0], [52.3, 51.2, 50.1, 50.8]
    expected = stats.linregress(amperes, volts)
    readings = tuple(ReadingFacts(60.0 * i, v, a) for i, (v, a) in enumerate(zip(volts, amperes, strict=True)))
    resistance = evaluate(SessionFacts(readings=readings)).get("pack_resistance")
    assert (resistance.value, resistance.u) == pytest.approx((-expected.slope, expected.stderr))


def test_pack_resistance_of_a_step():
    # IEC 61960-3: R = (U1 − U2)/(I2 − I1); uncertainties 3.2.3 for u.
    expected = (ufloat(52.0, 0.1) - ufloat(50.0, 0.1)) / 100.0
    facts = SessionFacts(readings=(ReadingFacts(0.0, 52.0, 0.0), ReadingFacts(5.0, 50.0, 100.0)), u_voltage_v=0.1)
    resistance = evaluate(facts).get("pack_resistance")
    assert (resistance.value, resistance.u) == pytest.approx((expected.nominal_value, expected.std_dev))


@pytest.mark.parametrize("amperes", [(0.0, 100.0), (5.0, 40.0, 80.0, 60.0)])
def test_pack_resistance_is_no_surer_than_the_scale_of_the_current_sensor(amperes):
    # A sensor that shows 3 % too much current at every reading moves no residual of the fit: uncertainties 3.2.3.
    expected = 0.02 / ufloat(1.0, 0.03)
    readings = tuple(ReadingFacts(60.0 * i, 52.0 - 0.02 * current_a, current_a) for i, current_a in enumerate(amperes))
    facts = SessionFacts(readings=readings, u_voltage_v=0.0, u_charge_fraction=0.03)
    resistance = evaluate(facts).get("pack_resistance")
    assert (resistance.value, resistance.u) == pytest.approx((expected.nominal_value, expected.std_dev), rel=1e-6)


def test_wind_chill_at_ride_speed():
    # Meteorological Service of Canada chart: −20 °C at 50 km/h is −35; ridden at 36 km/h into 14 km/h.
    facts = SessionFacts(air_temperature_c=-20.0, wind_speed_mps=14 / 3.6, passes=(PassFacts(100.0, 10.0, 0.0, 0.1),))
    chill = evaluate(facts).get("wind_chill")
    assert round(chill.value) == -35
    assert "10 to 30 minutes" in chill.caution  # Environment Canada hazards table, below −28


def test_stability_of_a_published_car():
    # NHTSA inertia database, 2020 Nissan Leaf: T 1.5342 m, h 0.5395 m, SSF 1.4219.
    report = evaluate(SessionFacts(track_width_m=1.5342, cg_height_m=0.5395))
    assert report.get("static_stability_factor").value == pytest.approx(1.4219, abs=3e-4)


def test_grouped_lines_are_each_group_alone():
    # scipy 1.17, linregress of each group.
    from calc.least_squares import lines_by_group

    chance = np.random.default_rng(3)
    x, group = chance.uniform(0, 100, 60), chance.integers(0, 4, 60)
    y = 3.0 - 0.02 * x + chance.normal(0, 0.1, 60) + group
    lines = lines_by_group(x, y, group, 5)
    for number in range(4):
        expected = stats.linregress(x[group == number], y[group == number])
        ours = (lines.slope[number], lines.u_slope[number], lines.intercept[number])
        assert ours == pytest.approx((expected.slope, expected.stderr, expected.intercept))
    assert np.isnan(lines.slope[4])
