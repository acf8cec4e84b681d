"""The model: what it gives where the answer is known by hand."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc.trials.columns import Measure
from calc.trials.days import Selector, day_values
from calc.trials.looks import standard_error
from calc.trials.model import DayModel
from tests.calc.trials.logs import log_of, season_log

LEVEL = Measure("level", smallest_difference=1.0, ratio=False)


def contrast(log, new=1, old=0):
    days = day_values(log, Selector(log, new, old).at(len(log.day)))
    return DayModel(days, len(log.revisions), new, old).contrast(days.day.size)


def rows_of(values, number, first_day):
    return [(number, first_day + place, value, "snow", 0.0) for place, value in enumerate(values)]


def test_without_conditions_it_is_the_difference_of_means():
    fit = contrast(log_of([*rows_of([10, 12, 14], 0, 0), *rows_of([15, 17, 16, 16], 1, 3)], LEVEL))
    assert fit.difference == pytest.approx(4.0)
    assert (fit.values, fit.against_values, fit.degrees_of_freedom, fit.terms) == (4, 3, 5, 2)
    # Sums of squares 8 and 2; each value has weight one half.
    assert fit.pooled_variance == pytest.approx(0.5 * 10 / 5)
    assert fit.own_variance == pytest.approx(0.5 * 2 / 3)
    assert fit.variance_factor == pytest.approx(2 * (1 / 3 + 1 / 4))
    assert fit.inflation == pytest.approx(1.0)


def test_the_larger_of_pooled_and_own_scatter_is_taken():
    wide, narrow = [10, 16, 22, 16], [15, 17, 16, 16]
    fit = contrast(log_of([*rows_of(narrow, 0, 0), *rows_of(wide, 1, 4)], LEVEL))
    assert fit.own_variance > fit.pooled_variance
    assert standard_error(fit) == pytest.approx(np.sqrt(fit.own_variance * fit.variance_factor))
    calm = contrast(log_of([*rows_of(wide, 0, 0), *rows_of(narrow, 1, 4)], LEVEL))
    assert standard_error(calm) == pytest.approx(np.sqrt(calm.pooled_variance * calm.variance_factor))


def test_a_day_that_both_rode_compares_within_itself():
    """Days differ wildly, the machines by 1 to 1.2 on each of them."""
    rows = []
    for day, (level, apart) in enumerate([(10, 1.0), (30, 1.1), (20, 1.2), (50, 1.1)]):
        rows += [(0, day, level, "snow", 0.0), (1, day, level + apart, "snow", 0.0)]
    fit = contrast(log_of(rows, LEVEL))
    assert fit.difference == pytest.approx(1.1)
    assert fit.degrees_of_freedom == 3
    # The variance of a difference is twice that of a value: here (0.01 + 0.01) / 3.
    assert 2 * fit.pooled_variance / 0.5 == pytest.approx(0.02 / 3)


def test_days_shared_with_a_third_revision_cost_nothing():
    alone = [*rows_of([10, 12, 11, 13], 1, 0), *rows_of([15, 17, 16, 18], 2, 4)]
    third = [(0, day, 9.0 + day, "snow", 0.0) for day in range(4)]
    together = sorted(alone + third, key=lambda row: row[1])
    assert contrast(log_of(together, LEVEL), 2, 1).difference == pytest.approx(5.0)


def test_a_temperature_that_changed_with_the_build_cannot_be_told_from_it():
    rows = [(revision, day, 10.0 + day % 3, "snow", -5.0 * revision) for day, revision in enumerate([0] * 5 + [1] * 5)]
    assert not contrast(log_of(rows, LEVEL)).estimable


def test_a_temperature_that_a_third_revision_tells_is_allowed_for():
    """R3's own days show what temperature does; R1 and R2 each had one temperature."""
    rows = [
        (0, 0, 10.0, "snow", 0.0),
        (0, 1, 10.2, "snow", 0.0),
        (1, 2, 13.0, "snow", 10.0),
        (1, 3, 13.2, "snow", 10.0),
    ]
    rows += [(2, 4 + number, 20 + 0.1 * t, "snow", t) for number, t in enumerate([0.0, 5.0, 10.0, 20.0])]
    fit = contrast(log_of(rows, LEVEL))
    assert fit.estimable
    assert fit.difference == pytest.approx(2.0)


@given(seed=st.integers(0, 10_000), change=st.floats(-0.2, 0.2))
def test_scaling_all_values_changes_no_ratio(seed, change):
    log = season_log(np.random.default_rng(seed), change)
    rows = [
        (int(r), int(d), 3.6 * v, ("clear ice", "snow", "slush")[s], 1.8 * t + 32)
        for r, d, v, s, t in zip(
            log.revision, log.day, log.value, log.factors[0].codes, log.covariates[0].values, strict=True
        )
    ]
    item, other = contrast(log, 2, 1), contrast(log_of(rows), 2, 1)
    assert other.difference == pytest.approx(item.difference, abs=1e-9)
    assert standard_error(other) == pytest.approx(standard_error(item))


def test_more_days_are_added_to_what_is_there():
    log = season_log(np.random.default_rng(5))
    days = day_values(log, Selector(log, 2, 1).at(len(log.day)))
    growing = DayModel(days, 3, 2, 1)
    for rows in (15, 16, 18):
        afresh = DayModel(days, 3, 2, 1).contrast(rows)
        np.testing.assert_allclose(growing.contrast(rows), afresh)
    np.testing.assert_allclose(growing.contrast(14), DayModel(days, 3, 2, 1).contrast(14))
