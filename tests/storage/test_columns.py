"""Columns of numbers as the database has them."""

from datetime import UTC, datetime

import numpy as np
import pytest

from buildlog.storage.columns import as_text, floats, moments


@pytest.mark.parametrize(
    "values",
    [(), (1.5, -2.0, 3), (None, None), (None, 1.5, None), (True, False), [4.0, None]],
    ids=["none at all", "all known", "none known", "some known", "flags", "a list"],
)
def test_what_is_not_known_is_nan(values):
    column = floats(values)
    assert column.dtype == np.float64
    assert [None if np.isnan(value) else value for value in column] == list(values)


@pytest.mark.django_db
@pytest.mark.parametrize("microsecond", [0, 250_000])
def test_moments_asked_for_as_text_are_those_that_are_stored(session, microsecond):
    started_at = datetime(2026, 1, 20, 12, 30, 5, microsecond, tzinfo=UTC)
    type(session).objects.update(started_at=started_at)
    texts = type(session).objects.annotate(text=as_text("started_at")).values_list("text", flat=True)
    assert moments(texts) == [started_at]
