import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc import alignment, coasting, geodesy, recording, thinning
from tests.calc.kernel_cases import CHECKS, Case

TIME_S = np.arange(0.0, 60.0, 0.5)
SPEED_MPS = 5.0 + 4.0 * np.sin(TIME_S / 5.0) * np.exp(-TIME_S / 40.0)
AMPERES = np.tile([0.0, 20.0, 40.0, 10.0], 30)
CHARGE_AH = np.linspace(0.0, 2.0, 120)

CASES = [
    Case(recording.usual_gap_s, {"time_s": TIME_S}),
    Case(
        recording.resistance_under_discharge,
        {"voltage_v": 52.0 - CHARGE_AH - 0.05 * AMPERES, "current_a": AMPERES, "charge_out_ah": CHARGE_AH},
    ),
    Case(
        alignment.clock_offset_s,
        {
            "first_time_s": TIME_S, "first_speed_mps": SPEED_MPS, "second_time_s": TIME_S + 3.0,
            "second_speed_mps": SPEED_MPS, "largest_shift_s": 30.0,
        },
    ),
    Case(
        coasting.coasting_stretches,
        {
            "time_s": TIME_S, "speed_mps": np.linspace(12.0, 6.0, 120), "current_a": np.zeros(120),
            "idle_current_a": 0.5, "shortest_s": 4.0, "smallest_drop_mps": 2.0,
        },
        edges=[{"idle_current_a": 0.0}],
    ),
    Case(
        geodesy.track_speed_mps,
        {"time_s": [0.0, 1.0, 2.0], "lat_deg": [60.0, 60.0001, 60.0002], "lon_deg": [25.0, 25.0, 25.0]},
    ),
]  # fmt: skip


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


def test_silence_is_neither_discharge_nor_mean_power():
    summary = recording.electrical_summary([0.0, 10.0, 100.0, 110.0], [50.0] * 4, [36.0] * 4, largest_gap_s=30.0)
    assert (summary.duration_s, summary.gaps_s) == (110.0, 90.0)
    assert summary.mean_power_w == pytest.approx(1800.0)


def test_the_lowest_voltage_is_that_under_load():
    resting = recording.electrical_summary([0.0, 1.0, 2.0], [49.0, 51.0, 50.0], [0.0, 10.0, 20.0])
    assert resting.lowest_voltage_v == 50.0
    assert recording.electrical_summary([0.0, 1.0], [49.0, 51.0], [0.0, -5.0]).lowest_voltage_v == 49.0


def test_one_current_settles_no_resistance():
    with pytest.raises(ValueError, match="current_a must hold different currents"):
        recording.resistance_under_discharge(np.full(20, 50.0), np.full(20, 10.0), np.linspace(0, 1, 20))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"first_speed_mps": np.full(120, 4.0)}, "first_speed_mps must hold different speeds"),
        ({"second_time_s": TIME_S / 10}, "second_time_s must cover 20 s"),
        ({"second_time_s": TIME_S[::-1]}, "second_time_s must grow"),
        ({"second_time_s": TIME_S + 1000.0}, "never overlap"),
        ({"first_speed_mps": SPEED_MPS[:5]}, "as long as"),
    ],
)
def test_what_cannot_be_aligned_is_said(change, words):
    with pytest.raises(ValueError, match=words):
        alignment.clock_offset_s(**{**CASES[2].good, **change})


@given(st.lists(st.one_of(st.floats(-1e6, 1e6), st.just(float("nan"))), max_size=300), st.integers(1, 20))
def test_no_peak_is_thinned_away(values, stretches):
    rows = thinning.rows_with_extremes(values, stretches)
    series = np.array(values)
    assert rows.size <= max(2 * stretches + 2, 0)
    assert (np.diff(rows) > 0).all()
    if np.isfinite(series).any():
        drawn = series[rows]
        assert (np.nanmin(drawn), np.nanmax(drawn)) == (np.nanmin(series), np.nanmax(series))


@pytest.mark.parametrize(("values", "stretches", "words"), [([[1.0]], 2, "values"), ([1.0], 0, "stretches")])
def test_thinning_refuses_by_name(values, stretches, words):
    with pytest.raises(ValueError, match=words):
        thinning.rows_with_extremes(values, stretches)


@given(
    st.lists(st.floats(30, 60), min_size=1, max_size=60),
    st.floats(30, 60),
    st.booleans(),
    st.sampled_from([0.0, 1.5, 3.0]),
)
def test_excursions_hold_every_sample_beyond_and_no_end_within(values, limit, above, bridged_s):
    times = np.arange(float(len(values)))
    result = coasting.excursions(times, values, limit, above, bridged_s)
    series = np.array(values)
    beyond = series > limit if above else series < limit
    covered = np.zeros(series.size, dtype=bool)
    for start, end, worst in zip(*result, strict=True):
        inside = (times >= start) & (times <= end)
        covered |= inside
        assert worst == (series[inside].max() if above else series[inside].min())
        assert beyond[times == start].all()
        assert beyond[times == end].all()
    assert covered[beyond].all()
    if bridged_s == 0.0:
        assert (covered == beyond).all()


def test_a_limit_that_is_no_number_is_refused():
    with pytest.raises(ValueError, match="limit"):
        coasting.excursions([0.0], [1.0], float("nan"))
    with pytest.raises(ValueError, match="values"):
        coasting.excursions([0.0], [1.0, 2.0], 1.0)
