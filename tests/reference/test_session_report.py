"""A whole session against published figures and independent libraries."""

from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from uncertainties import ufloat

from calc.session_facts import LogFacts, PackFacts, PassFacts, ReadingFacts, SessionFacts
from calc.session_report import evaluate


def test_one_pass_of_the_gum_example():
    # JCGM 100:2008, 5.1.6: 100.0 ± 0.02 m in 5.000 s, two events at 60 frames/s: 20.000 m/s, u = 0.0275089 m/s.
    speed = evaluate(SessionFacts(passes=(PassFacts(100.0, 5.0, 0.02, 0.00680414),))).get("average_gate_speed")
    assert (speed.value, speed.u) == pytest.approx((20.0, 0.0275089), abs=5e-8)


def test_several_passes_share_their_gate():
    # uncertainties 3.2.3: one gate length common to all passes, each with its own time.
    length = ufloat(100.0, 0.5)
    times = [ufloat(value, 0.05) for value in (5.0, 5.2, 4.9)]
    expected = sum(length / time for time in times) / 3
    passes = tuple(PassFacts(100.0, value, 0.5, 0.05) for value in (5.0, 5.2, 4.9))
    speed = evaluate(SessionFacts(passes=passes)).get("average_gate_speed")
    assert (speed.value, speed.u) == pytest.approx((expected.nominal_value, expected.std_dev))


def test_a_logged_discharge():
    # pybamm 26.10.1.1, DFN, Chen2020 (J. Electrochem. Soc. 167 (2020) 080534), 1C: 17.505093 Wh, 4.991930 Ah.
    path = Path(__file__).parent / "data" / "pybamm_discharge.csv"
    time_s, current_a, voltage_v, *_ = np.loadtxt(path, delimiter=",", skiprows=1).T
    report = evaluate(SessionFacts(log=LogFacts.of_series(time_s, voltage_v, current_a), distance_m=1000.0))
    assert report.get("energy_used").value == pytest.approx(17.505093, rel=1e-5)
    assert report.get("charge_used").value == pytest.approx(4.991930, rel=1e-6)
    assert report.get("energy_per_distance").value == pytest.approx(17.505093, rel=1e-5)


def test_range_and_turn_back_through_every_uncertainty():
    # uncertainties 3.2.3 from meter and distance to range; the same consumption is used out and home.
    energy, distance = ufloat(400.0, 8.0), ufloat(10.0, 0.2)
    consumption = energy / distance
    full = ufloat(3024.0, 0.05 * 3024.0) * 0.8 / consumption * 1000
    facts = SessionFacts(
        distance_m=10_000.0,
        u_distance_m=200.0,
        energy_used_wh=400.0,
        u_energy_used_wh=8.0,
        runtime_s=1800.0,
        u_rest_charge_fraction=0.05,
        pack=PackFacts(58.8, 50.4, 35.0, 60.0, 3024.0),
    )
    report = evaluate(facts)
    measured = report.get("range")
    assert (measured.value, measured.u) == pytest.approx((full.nominal_value, full.std_dev))
    left = report.get("energy_left")
    # The energy left and the consumption are taken as uncorrelated here too, as the method says.
    turn = ufloat(left.value, left.u) * 0.8 / (2 * ufloat(consumption.nominal_value, consumption.std_dev)) * 1000
    measured = report.get("turn_back_distance")
    assert (measured.value, measured.u) == pytest.approx((turn.nominal_value, turn.std_dev))
    # NIST SP 811 (2008), B.8: 400 Wh in half an hour are 800 W.
    assert report.get("mean_power").value == pytest.approx(800.0)


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
