"""Fewer points for a screen, with every peak still there."""

from __future__ import annotations

from typing import Any

import numpy as np

from calc.declaration import kernel


@kernel(
    title="Points for a chart, peaks kept",
    formula="lowest and highest of each of n equal stretches, and both ends",
    source="Min-max decimation: Jugel, Jerzak, Hackenbroich and Markl, M4, Proc. VLDB Endowment 7 (2014) 797–808 "
    "(from memory).",
)
def rows_with_extremes(values: Any, stretches: int) -> Any:
    """Which rows of a series to draw: a spike of one sample survives any thinning.

    Parameters
    ----------
    values: series, 1-D array; NaN is nothing measured. A stretch without any value keeps its first row,
        so that the line breaks there.
    stretches: into how many stretches of rows it is cut, at least 1.

    Returns
    -------
    Growing row numbers, at most 2 · stretches + 2; all rows where the series is as short as that.

    Raises
    ------
    ValueError: stretches is below 1, or values has more than one dimension.

    Examples
    --------
    >>> rows_with_extremes([0.0, 1.0, 9.0, 1.0, 0.0, 0.0, 0.0, -5.0, 0.0, 0.0, 1.0], 2).tolist()
    [0, 2, 7, 10]
    """
    series = np.asarray(values, dtype=np.float64)
    if series.ndim != 1:
        raise ValueError(f"values must be a row of numbers, got {series.ndim} dimensions")
    if stretches < 1:
        raise ValueError(f"stretches must be at least 1, got {stretches}")
    if series.size <= 2 * stretches + 2:
        return np.arange(series.size)
    length = -(-series.size // stretches)
    padded = np.full(length * stretches, np.nan)
    padded[: series.size] = series
    table = padded.reshape(stretches, length)
    nothing = np.isnan(table)
    lowest = np.where(nothing, np.inf, table).argmin(axis=1)
    highest = np.where(nothing, -np.inf, table).argmax(axis=1)
    starts = np.arange(stretches) * length
    rows = np.unique(np.concatenate([[0], starts + lowest, starts + highest, [series.size - 1]]))
    return rows[rows < series.size]
