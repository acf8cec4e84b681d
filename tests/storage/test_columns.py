"""Columns of numbers as the database has them."""

import numpy as np
import pytest

from buildlog.storage.columns import floats


@pytest.mark.parametrize(
    "values",
    [(), (1.5, -2.0, 3), (None, None), (None, 1.5, None), (True, False), [4.0, None]],
    ids=["none at all", "all known", "none known", "some known", "flags", "a list"],
)
def test_what_is_not_known_is_nan(values):
    column = floats(values)
    assert column.dtype == np.float64
    assert [None if np.isnan(value) else value for value in column] == list(values)
