"""Several questions at once: p values that share one error."""

from __future__ import annotations

from typing import Any

import numpy as np

from calc.declaration import Number, between, kernel


@kernel(
    title="p values of several questions under one error",
    formula="p̃(i) = max over j ≤ i of min(1, (m − j + 1) · p(j)),  p(1) ≤ … ≤ p(m)",
    source="Holm, A simple sequentially rejective multiple test procedure, Scandinavian Journal of Statistics 6 "
    "(1979) 65–70.",
    p=between(0.0, 1.0),
)
def holm(p: Number) -> Any:
    """p values that may each be held against the error of all questions together.

    Whatever the questions have to do with each other, the chance of any false answer stays below that error.

    Parameters
    ----------
    p: one for each question, 1-D array of at least 1, each from 0 to 1.

    Returns
    -------
    Adjusted p values, in the order given.

    Raises
    ------
    ValueError: a value is not from 0 to 1, or there is none.

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03, 0.005]).tolist()
    [0.03, 0.06, 0.06, 0.02]
    """
    values = np.atleast_1d(np.asarray(p, dtype=np.float64))
    if values.ndim != 1 or values.size == 0:
        raise ValueError(f"p needs one value for each question, in one row, got shape {values.shape}")
    order = np.argsort(values, kind="stable")
    remaining = np.arange(values.size, 0, -1)
    adjusted = np.empty_like(values)
    adjusted[order] = np.minimum(1.0, np.maximum.accumulate(remaining * values[order]))
    return adjusted
