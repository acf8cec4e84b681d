"""Two builds on the same days."""

import numpy as np
import pytest

from calc.trials.order import first_is_new


@pytest.mark.parametrize("days", [2, 6, 10])
def test_what_drifts_in_a_straight_line_hits_both_alike(days):
    drift = iter(np.arange(2.0 * days))
    old, new = [], []
    for new_first in first_is_new(days):
        first, second = (new, old) if new_first else (old, new)
        first.append(next(drift))
        second.append(next(drift))
    assert np.mean(old) == pytest.approx(np.mean(new))


def test_the_build_is_never_changed_between_days():
    order = first_is_new(5)
    ends_with_new = [not new_first for new_first in order]
    assert ends_with_new[:-1] == order[1:]
