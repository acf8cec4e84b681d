import numpy as np
import pytest

from calc import crossings
from tests.calc.kernel_cases import CHECKS, Case

GATE = {"mark_east_m": [0.0, 100.0], "mark_north_m": [0.0, 0.0], "mark_distance_m": [0.0, 100.0]}

CASES = [
    Case(
        crossings.gate_passes,
        {
            "time_s": [0.0, 5.0, 10.0],
            "east_m": [-10.0, 50.0, 110.0],
            "north_m": [0.0, 0.0, 0.0],
            **GATE,
            "u_mark_m": 0.0,
        },
        edges=[{"u_mark_m": 0.0}],
    ),
]


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


def straight(speed_mps=10.0, begin_m=-155.0, end_m=255.0, step_s=1.0):
    """A ride along the gate's line without any error: times, east, north, speeds."""
    time_s = np.arange(0.0, (end_m - begin_m) / speed_mps, step_s)
    return time_s, begin_m + speed_mps * time_s, np.zeros(time_s.size), np.full(time_s.size, speed_mps)


def passes(time_s, east_m, north_m, speed_mps=None, **more):
    return crossings.gate_passes(time_s, east_m, north_m, **{**GATE, **more}, speed_mps=speed_mps)


@pytest.mark.parametrize("with_speed", [True, False])
def test_a_ride_without_errors_takes_length_over_speed(with_speed):
    time_s, east_m, north_m, speed_mps = straight()
    (out,) = passes(time_s, east_m, north_m, speed_mps if with_speed else None)
    assert out.is_out
    assert out.doubts == ()
    assert out.uses_speed is with_speed
    assert out.duration_s == pytest.approx(10.0)
    assert out.mark_s == pytest.approx((15.5, 25.5))
    (back,) = passes(time_s, east_m[::-1], north_m, speed_mps if with_speed else None)
    assert not back.is_out
    assert back.duration_s == pytest.approx(10.0)


def test_marks_between_get_their_times_in_the_order_ridden():
    time_s, east_m, north_m, speed_mps = straight()
    more = {"mark_distance_m": [0.0, 20.0, 70.0, 100.0]}
    (out,) = passes(time_s, east_m, north_m, speed_mps, **more)
    assert np.diff(out.mark_s) == pytest.approx([2.0, 5.0, 3.0])
    (back,) = passes(time_s, east_m[::-1], north_m, None, **more)
    assert np.diff(back.mark_s) == pytest.approx([3.0, 5.0, 2.0])


def test_the_tape_decides_how_long_the_gate_is():
    time_s, east_m, north_m, speed_mps = straight()
    (out,) = passes(time_s, east_m, north_m, speed_mps, mark_east_m=[-3.0, 95.0])
    assert out.duration_s == pytest.approx(10.0)  # 98 m by coordinates, 100 m by tape.


def test_a_steady_gain_of_speed_is_followed_between_fixes():
    # x = ½ a t² from standing, a = 2 m/s²: 25 m after 5 s, 125 m after √125 s.
    time_s = np.arange(0.0, 16.0)
    (out,) = passes(time_s, time_s**2 - 25.0, 0 * time_s, 2 * time_s)
    assert out.duration_s == pytest.approx(np.sqrt(125.0) - 5.0, abs=0.03)


def test_a_gap_is_doubted():
    time_s, east_m, north_m, speed_mps = straight()
    kept = (time_s < 18) | (time_s > 22)
    (out,) = passes(time_s[kept], east_m[kept], north_m[kept], speed_mps[kept])
    assert crossings.GAP in out.doubts


def test_a_gap_of_three_seconds_is_none():
    time_s, east_m, north_m, speed_mps = straight()
    kept = (time_s < 18) | (time_s > 19)
    (out,) = passes(time_s[kept], east_m[kept], north_m[kept], speed_mps[kept])
    assert out.doubts == ()


@pytest.mark.parametrize("with_speed", [True, False])
def test_a_stop_is_doubted(with_speed):
    time_s = np.arange(0.0, 61.0)
    speed_mps = np.where((time_s > 20) & (time_s <= 30), 0.0, 10.0)
    east_m = -155.0 + np.append(0.0, np.cumsum(speed_mps[1:]))
    (out,) = passes(time_s, east_m, 0 * time_s, speed_mps if with_speed else None)
    assert crossings.STOP in out.doubts


def test_a_way_round_is_doubted():
    time_s, east_m, _, speed_mps = straight()
    north_m = np.where((east_m > 20) & (east_m < 80), 40.0, 0.0)
    (out,) = passes(time_s, east_m, north_m)
    assert out.doubts == (crossings.PATH,)
    faster = np.where((east_m > 0) & (east_m < 100), 12.0, speed_mps)
    (out,) = passes(time_s, east_m, 0 * time_s, faster)
    assert out.doubts == (crossings.PATH,)


@pytest.mark.parametrize(("aside_m", "count"), [(11.5, 1), (12.5, 0)])
def test_a_ride_beside_the_gate_is_none_of_it(aside_m, count):
    time_s, east_m, north_m, speed_mps = straight()
    assert len(passes(time_s, east_m, north_m + aside_m, speed_mps)) == count


def test_turning_round_within_the_gate_is_no_pass():
    time_s = np.arange(0.0, 40.0)
    east_m = 60.0 - np.abs(time_s - 20.0) * 10.0
    assert passes(time_s, east_m, 0 * time_s) == []


def test_out_and_back_are_two():
    time_s = np.arange(0.0, 80.0)
    east_m = 245.0 - np.abs(time_s - 40.0) * 10.0
    assert [timed_pass.is_out for timed_pass in passes(time_s, east_m, 0 * time_s)] == [True, False]


def test_noise_that_crosses_a_mark_to_and_fro_counts_the_time_before_it_once():
    time_s = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]
    (out,) = crossings.gate_passes(time_s, [-2.0, 2.0, -2.0, 2.0, 12.0, 22.0], [0.0] * 6, [0, 20], [0, 0], [0, 20])
    # Crossed at 0.5, 1.5 and 2.5 s: 1.5 s were spent before the mark.
    assert out.mark_s[0] == pytest.approx(1.5)


def test_a_speed_that_is_missing_for_long_is_not_used():
    time_s, east_m, north_m, speed_mps = straight()
    speed_mps[18:20] = np.nan
    assert passes(time_s, east_m, north_m, speed_mps)[0].uses_speed
    speed_mps[18:23] = np.nan
    (out,) = passes(time_s, east_m, north_m, speed_mps)
    assert not out.uses_speed
    assert out.doubts == ()


def test_a_receiver_that_agrees_with_itself_is_not_taken_as_exact():
    time_s, east_m, north_m, speed_mps = straight()
    (out,) = passes(time_s, east_m, north_m, speed_mps)
    assert out.u_duration_s == pytest.approx(crossings.LEAST_U_M / 10.0)


def test_a_gate_that_stands_elsewhere_matters_where_speed_changes():
    time_s = np.arange(0.0, 16.0)
    wide, sharp = (
        passes(time_s, time_s**2 - 25.0, 0 * time_s, 2 * time_s, u_mark_m=u_mark_m, accuracy_m=1e-6)[0]
        for u_mark_m in (2.0, 0.0)
    )
    # Marks 2 m farther on are entered and left at other speeds: dT = 2 m · (1/v₂ − 1/v₁).
    by_place_s = 2.0 * abs(1 / (2 * np.sqrt(125.0)) - 1 / 10.0)
    assert wide.u_duration_s**2 - sharp.u_duration_s**2 == pytest.approx(by_place_s**2, rel=0.02)


def test_an_unknown_accuracy_is_not_taken_as_a_good_one():
    time_s, east_m, north_m, _ = straight()
    unknown, bad, good = (
        passes(time_s, east_m, north_m, accuracy_m=radius_m)[0].u_duration_s for radius_m in (None, np.nan, 2.0)
    )
    assert unknown == bad > good


def from_rest(at_m=0.0, before=(), gain_mps2=2.0, top_mps=12.0):
    """Rides `before` (places at 1 s), stands 10 s at a place, then gains speed evenly: times, east, north, speeds."""
    moving_s = np.maximum(np.arange(40.0) - 10.0, 0.0)
    even_s = top_mps / gain_mps2
    gaining_m = gain_mps2 * np.minimum(moving_s, even_s) ** 2 / 2
    east_m = np.append(before, at_m + gaining_m + top_mps * np.maximum(moving_s - even_s, 0.0))
    speed_mps = np.append(np.full(len(before), 5.0), np.minimum(gain_mps2 * moving_s, top_mps))
    return np.arange(float(east_m.size)), east_m, np.zeros(east_m.size), speed_mps


AFTER_EVEN_GAIN_S = 6.0 + 64.0 / 12.0
"""100 m from rest at 2 m/s² to 12 m/s: 36 m in 6 s, the rest at 12 m/s."""


@pytest.mark.parametrize(
    "before",
    [(), (-15.0, -10.0, -5.0), (115.0, 110.0, 105.0, *np.arange(100.0, 0.0, -5.0))],
    ids=["begun there", "came from before the mark", "came back through the gate"],
)
@pytest.mark.parametrize("at_m", [-2.0, 0.0, 2.0])
def test_a_start_from_rest_on_the_first_mark_is_timed_from_its_first_movement(at_m, before):
    # Where the machine seems to stand does not matter: it stood on the mark, and rode as far as the tape says.
    outs = [gate_pass for gate_pass in passes(*from_rest(at_m, before)) if gate_pass.is_out]
    assert [(out.is_standing, out.doubts) for out in outs] == [(True, (crossings.START,))]
    assert outs[0].mark_s[0] == pytest.approx(len(before) + 10.0, abs=0.01)
    assert outs[0].duration_s == pytest.approx(AFTER_EVEN_GAIN_S, abs=0.01)
    # The first movement lies anywhere in the step that ends with the first row in motion (a rectangle of 1 s).
    assert outs[0].u_duration_s >= 1 / np.sqrt(12)


def test_the_marks_between_are_timed_from_the_first_movement_too():
    more = {"mark_distance_m": [0.0, 36.0, 100.0]}
    (out,) = passes(*from_rest(), **more)
    assert np.diff(out.mark_s) == pytest.approx([6.0, 64.0 / 12.0], abs=0.01)
    time_s, east_m, north_m, speed_mps = from_rest()
    more = {"mark_distance_m": [0.0, 64.0, 100.0]}
    (back,) = passes(time_s, 100.0 - east_m, north_m, speed_mps, **more)
    assert (back.is_out, back.is_standing) == (False, True)
    assert np.diff(back.mark_s) == pytest.approx([6.0, 64.0 / 12.0], abs=0.01)


def test_a_start_with_a_long_run_up_is_a_flying_pass():
    (out,) = passes(*from_rest(-40.0))
    assert (out.is_standing, out.doubts) == (False, ())


def test_a_start_that_leads_elsewhere_first_is_none_of_the_gate():
    """It stands on the first mark, goes round for 200 m, and then comes through the gate flying."""
    around_m = np.append(np.arange(0.0, -100.0, -10.0), np.arange(-100.0, 200.0, 10.0))
    east_m = np.append(np.zeros(10), around_m)
    speed_mps = np.append(np.zeros(10), np.full(around_m.size, 10.0))
    (out,) = passes(np.arange(float(east_m.size)), east_m, np.zeros(east_m.size), speed_mps)
    assert not out.is_standing
    assert out.duration_s == pytest.approx(10.0, abs=0.1)


def test_without_a_speed_a_start_from_rest_is_doubted_and_its_time_hardly_known():
    time_s, east_m, north_m, _ = from_rest(-1.0)
    (out,) = passes(time_s, east_m, north_m, accuracy_m=5.0)
    assert (out.is_standing, out.doubts, out.uses_speed) == (True, (crossings.START,), False)
    assert out.u_duration_s > np.sqrt(2) * 5.0 / crossings.SHARE_WITHIN / crossings.SLOWEST_MPS


def test_a_gap_before_the_start_leaves_no_standing_start():
    time_s, east_m, north_m, speed_mps = from_rest(2.0)
    kept = (time_s < 3) | (time_s > 9)
    assert passes(time_s[kept], east_m[kept], north_m[kept], speed_mps[kept]) == []


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"time_s": [0.0, 0.0, 1.0]}, "time_s must grow"),
        ({"east_m": [0.0]}, "as long as time_s"),
        ({"mark_east_m": [0.0]}, "two values each"),
        ({"mark_east_m": [0.0, 0.0]}, "two places"),
        ({"mark_distance_m": [0.0]}, "at least two marks"),
        ({"mark_distance_m": [0.0, 50.0, 40.0]}, "grow"),
        ({"mark_distance_m": [1.0, 50.0]}, "begin with 0"),
        ({"speed_mps": [1.0]}, "speed_mps must be as long"),
    ],
)
def test_an_impossible_track_or_gate_is_refused(change, words):
    with pytest.raises(ValueError, match=words):
        crossings.gate_passes(**{**CASES[0].good, **change})
