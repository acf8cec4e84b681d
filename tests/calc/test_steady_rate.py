import random

import pytest

from calc import steady_rate
from tests.calc.kernel_cases import CHECKS, Case

CASES = [
    Case(
        steady_rate.shape_at_any_look,
        {"times": [5.0, 40.0, 43.0, 175.0], "end": 200.0, "confidence": 0.9},
        edges=[{"end": 175.0}],
    ),
]


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_kernel(case, check):
    check(case)


@pytest.mark.parametrize(
    ("times", "words"), [([5.0], "at least 2"), ([5.0, 4.0], "must not fall"), ([5.0, 300.0], "at or after the last")]
)
def test_what_is_no_course_of_failures_is_refused(times, words):
    with pytest.raises(ValueError, match=words):
        steady_rate.shape_at_any_look(times, 200.0)
    with pytest.raises(ValueError, match="only failures at the end"):
        steady_rate.shape_at_any_look([200.0, 200.0], 200.0)


def test_twenty_looks_at_a_steady_rate_find_no_trend():
    """400 seasons of 20 outings; reading a 5 % test after each outing finds one in about a quarter of them."""
    chance, result = random.Random(21), 0
    for _ in range(400):
        times, place = [], 0.0
        while (place := place + chance.expovariate(1.5)) < 20.0:
            times.append(place)
        looks = [[time for time in times if time <= end] for end in range(1, 21)]
        shapes = [steady_rate.shape_at_any_look(seen, float(end)) for end, seen in enumerate(looks, 1) if len(seen) > 2]
        result += any(shape.lower > 1 or shape.upper < 1 for shape in shapes)
    # The error is 5 % at most; 400 seasons show more than 8.5 % of it by chance once in a thousand times.
    assert result <= 34


def test_a_machine_that_gets_better_is_found_at_last():
    chance, result = random.Random(22), 0
    for _ in range(100):
        # Power law of shape 0.4: 60 failures in all, by the inverse of the cumulated rate.
        times, count = [], 0.0
        while (count := count + chance.expovariate(1)) < 60:
            times.append(100.0 * (count / 60) ** (1 / 0.4))
        result += steady_rate.shape_at_any_look(times, 100.0).upper < 1
    assert result >= 95
