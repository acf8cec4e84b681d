import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc import stability


@given(radius=st.floats(1.0, 200.0), threshold=st.floats(0.05, 2.0), friction=st.floats(0.01, 2.0))
def test_the_turn_is_as_fast_as_the_weaker_of_grip_and_stance(radius, threshold, friction):
    turn = stability.fastest_turn(radius, threshold, friction)
    sideways_g = turn.speed_mps**2 / radius / 9.80665
    assert sideways_g == pytest.approx(min(threshold, friction))
    assert turn.tips_first == (threshold <= friction)


def test_where_both_come_at_once_it_tips():
    # Of two ends that come together, the worse is the one to name.
    assert stability.fastest_turn(15.0, 0.8, 0.8).tips_first is True


def test_many_turns_at_once():
    turns = stability.fastest_turn(np.array([10.0, 10.0]), 0.5, np.array([0.1, 0.9]))
    assert turns.tips_first.tolist() == [False, True]
    assert turns.speed_mps[0] < turns.speed_mps[1]
