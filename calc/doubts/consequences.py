"""What follows from a doubt: the value counts as unknown, unless that would make a guard less careful."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

import numpy as np

from calc.doubts.check import Checked

Confirmed = Mapping[int, Collection[str]]
"""Keys of the rules that were answered with "it is so", by row."""


def facts_in_doubt(checked: Checked, confirmed: Confirmed | None = None) -> dict[str, Any]:
    """For each fact that some row's rule doubts: a bool array, True where it is in doubt.

    Parameters
    ----------
    confirmed: the rules that a person has confirmed, by row; they put nothing in doubt.

    Examples
    --------
    >>> from calc.doubts.check import check
    >>> from calc.doubts.session_rules import SESSION
    >>> checked = check(SESSION, {"rider_mass_kg": [78.0, 780.0, np.nan]})
    >>> facts_in_doubt(checked)["rider_mass_kg"].tolist()
    [False, True, False]
    >>> facts_in_doubt(checked, {1: {"rider_mass"}})
    {}
    """
    open_breaches = checked.breached.copy()
    position = {rule.key: index for index, rule in enumerate(checked.subject.rules)}
    for row, keys in (confirmed or {}).items():
        for key in keys:
            if key in position:
                open_breaches[position[key], row] = False
    masks: dict[str, Any] = {}
    for rule, rows in zip(checked.subject.rules, open_breaches, strict=True):
        if rows.any():
            for name in rule.facts:
                doubted = rows & ~np.isnan(getattr(checked.columns, name))
                if doubted.any():
                    masks[name] = masks.get(name, False) | doubted
    return masks


def without_doubtful(numbers: Mapping[str, Any], masks: Mapping[str, Any]) -> dict[str, Any]:
    """Columns of numbers in which what is in doubt is unknown. `numbers` is left as it is.

    Examples
    --------
    >>> without_doubtful({"distance_m": np.array([100.0, 5.0])}, {"distance_m": np.array([False, True])})
    {'distance_m': array([100.,  nan])}
    """
    return {
        name: np.where(masks[name], np.nan, values) if name in masks else values for name, values in numbers.items()
    }


def careful_lower(with_doubtful: Any, without: Any) -> Any:
    """A guard that warns when little is left: the lower of the values with and without what is in doubt, or none.

    Where one of both is unknown, so is the result: nobody is sent on by half of the evidence.

    Examples
    --------
    >>> careful_lower([1200.0, 900.0, 700.0], [1000.0, 950.0, np.nan]).tolist()
    [1000.0, 900.0, nan]
    """
    return np.minimum(np.asarray(with_doubtful, dtype=np.float64), np.asarray(without, dtype=np.float64))


def careful_higher(with_doubtful: Any, without: Any) -> Any:
    """A guard that warns when a limit is reached: the higher of both; what is in doubt warns all the same.

    Examples
    --------
    >>> careful_higher([86.0, 60.0], [np.nan, 62.0]).tolist()
    [86.0, 62.0]
    """
    return np.fmax(np.asarray(with_doubtful, dtype=np.float64), np.asarray(without, dtype=np.float64))
