"""The value of a session from its passes."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc.trials.passes import Passes, balanced_means, best_of, each_way_kept, expected_maximum, two_way_best


def passes_of(*sessions):
    """Each session as a list of (gate, "out" or "back", speed)."""
    rows = [(number, *timed) for number, session in enumerate(sessions) for timed in session]
    session, gate, way, speed = zip(*rows, strict=True)
    return Passes(np.array(session), np.array(gate), np.array(way) == "out", np.array(speed, dtype=float))


def test_each_direction_counts_half_whatever_the_numbers_of_passes():
    values = balanced_means(passes_of([(0, "out", 18.0), (0, "out", 18.0), (0, "out", 18.0), (0, "back", 12.0)]))
    assert values.value.tolist() == [15.0]
    assert (values.out.tolist(), values.back.tolist()) == ([3], [1])


def test_an_unbalanced_session_is_as_precise_as_fewer_balanced_passes():
    """The variance of (mean of 3 + mean of 1) / 2 is (1/3 + 1) / 4 of a pass's: that of 3 passes in all."""
    values = balanced_means(passes_of([(0, "out", 18.0), (0, "out", 18.0), (0, "out", 18.0), (0, "back", 12.0)]))
    assert values.passes[0] == pytest.approx(3.0)


def test_each_gate_of_a_session_has_its_own_value():
    values = balanced_means(passes_of([(3, "out", 10.0), (7, "out", 20.0), (3, "back", 12.0), (7, "back", 22.0)]))
    assert (values.gate.tolist(), values.value.tolist()) == ([3, 7], [11.0, 21.0])


def test_one_way_sessions_cannot_be_compared_with_balanced_ones():
    values = balanced_means(passes_of([(0, "out", 10.0), (0, "back", 12.0)], [(0, "out", 10.0)]))
    assert values.value[0] == 11.0
    assert np.isnan(values.value[1])


def test_a_gate_that_is_always_ridden_one_way_keeps_its_sessions():
    values = balanced_means(passes_of([(0, "out", 10.0), (0, "out", 11.0)], [(0, "out", 12.0)]))
    assert values.value.tolist() == [10.5, 12.0]
    assert values.passes.tolist() == [2.0, 1.0]


SPEEDS = st.lists(st.floats(5, 30), min_size=1, max_size=6)


@given(out=SPEEDS, back=SPEEDS, each_way=st.integers(1, 3))
def test_best_of_is_the_mean_over_all_choices_of_passes(out, back, each_way):
    session = [(0, "out", speed) for speed in out] + [(0, "back", speed) for speed in back]
    passes = passes_of([(0, "out", 1.0), (0, "back", 99.0)] * each_way, session)
    result, both = best_of(passes, each_way).value[1], two_way_best(passes, each_way).value[1]
    if min(len(out), len(back)) < each_way:
        assert np.isnan(result)
        assert np.isnan(both)
        return
    outs, backs = list(combinations(out, each_way)), list(combinations(back, each_way))
    assert result == pytest.approx(np.mean([max(*a, *b) for a in outs for b in backs]))
    assert both == pytest.approx((np.mean([max(a) for a in outs]) + np.mean([max(b) for b in backs])) / 2)


def test_many_passes_have_no_better_best_than_few():
    """Sessions of ten passes and of two, all alike: the best of one pass each way is the same on average."""
    random = np.random.default_rng(4)
    counts = np.tile([2, 10], 4000)
    session = np.repeat(np.arange(counts.size), counts)
    is_out = np.arange(session.size) % 2 == 0
    passes = Passes(session, np.zeros_like(session), is_out, 16 + random.standard_normal(session.size))
    best = best_of(passes, each_way=1).value
    few, many = best[counts == 2], best[counts == 10]
    assert abs(few.mean() - many.mean()) < 4 * np.sqrt(few.var() / few.size + many.var() / many.size)
    # Of all their passes, ten have a better best than two by far.
    assert (
        np.maximum.reduceat(passes.speed_mps, np.flatnonzero(np.diff(session, prepend=-1)))[1::2].mean()
        > few.mean() + 0.5
    )


def test_the_number_each_way_keeps_three_quarters_of_the_sessions():
    assert each_way_kept(out=np.array([5, 5, 5, 1]), back=np.array([4, 4, 4, 4])) == 4
    assert each_way_kept(out=np.array([1, 2, 3, 4]), back=np.array([1, 2, 3, 4])) == 2
    assert each_way_kept(out=np.array([3]), back=np.array([0])) == 1


def test_columns_of_different_length_are_refused():
    with pytest.raises(ValueError, match="one length"):
        Passes(np.array([0]), np.array([0, 0]), np.array([True]), np.array([1.0]))


def test_best_of_no_pass_is_refused():
    with pytest.raises(ValueError, match="at least 1"):
        best_of(passes_of([(0, "out", 10.0)]), each_way=0)


@pytest.mark.parametrize("chosen", [1, 2, 5])
def test_the_expected_maximum_is_the_mean_over_all_choices(chosen):
    values = np.array([14.0, 11.5, 12.0, 13.0, 12.0])
    by_hand = np.mean([max(choice) for choice in combinations(values, chosen)])
    assert expected_maximum(values, chosen) == pytest.approx(by_hand)


@pytest.mark.parametrize("chosen", [0, 3])
def test_more_values_than_there_are_cannot_be_chosen(chosen):
    with pytest.raises(ValueError, match="chosen must be between 1 and the 2 values"):
        expected_maximum(np.array([1.0, 2.0]), chosen)
