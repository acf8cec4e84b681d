import pytest

from calc import two_clocks
from calc.two_clocks import pairs_of_marks
from tests.calc.kernel_cases import CHECKS, Case

CASES = [
    Case(
        two_clocks.two_clock_duration,
        {"first_s": 1.0, "second_s": 8.5, "u_first_s": 0.1, "u_second_s": 0.02},
        edges=[{"u_first_s": 0.0, "u_second_s": 0.0}],
    ),
]


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


def test_a_second_moment_that_is_not_later_is_refused_by_name():
    with pytest.raises(ValueError, match="second_s must be after first_s"):
        two_clocks.two_clock_duration(first_s=5.0, second_s=5.0, u_first_s=0.1, u_second_s=0.1)


FIRST, LAST = False, True


@pytest.mark.parametrize(
    ("times_s", "at_last", "pairs"),
    [
        # Out, back, out: 100 m in 10, 12 and 9 s.
        ([0, 10, 60, 72, 120, 129], [FIRST, LAST, LAST, FIRST, FIRST, LAST], [(0, 1), (2, 3), (4, 5)]),
        # Nothing, one, and two at one end.
        ([], [], []),
        ([3], [FIRST], []),
        ([0, 10], [LAST, LAST], []),
        # The far mark was missed on the way out. Its next tap is on the way back, 40 s later: that way was the longer.
        ([0, 40, 50], [FIRST, LAST, FIRST], [(1, 2)]),
        # Too much alike to tell.
        ([0, 20, 30], [FIRST, LAST, FIRST], []),
        # It came too late to be the same ride: the other pair stands.
        ([0, 200, 210], [FIRST, LAST, FIRST], [(1, 2)]),
        # Faster than anything here: one of them is a slip.
        ([0, 1], [FIRST, LAST], []),
        # The mean speeds at the edges, 0.7 and 70 m/s.
        ([0, 100 / 70], [FIRST, LAST], [(0, 1)]),
        ([0, 100 / 0.7 + 0.1], [FIRST, LAST], []),
    ],
)
def test_marks_pair_where_nothing_else_fits(times_s, at_last, pairs):
    assert pairs_of_marks(times_s, at_last, 100.0) == pairs


def test_passes_of_an_oval_ridden_one_way_stay_apart():
    """Three laps of 60 s, each out through the gate in 8 s: the way round, 52 s, is no pass."""
    times_s = [0, 8, 60, 68, 120, 128]
    assert pairs_of_marks(times_s, [FIRST, LAST] * 3, 100.0) == [(0, 1), (2, 3), (4, 5)]
