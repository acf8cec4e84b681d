"""Facts of many records side by side, as the rules read them."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


class Columns:
    """One array for each fact, all of one length, NaN where it is unknown; rules read them as attributes.

    Parameters
    ----------
    names: the facts there can be; those that `known` lacks are unknown in every row.
    known: floats, None or arrays by name. Single values stand in every row.

    Raises
    ------
    ValueError: a name is not among `names`, or lengths differ.
    """

    def __init__(self, names: Collection[str], known: Mapping[str, Any]) -> None:
        strange = sorted(set(known) - set(names))
        if strange:
            raise ValueError(f"There is no fact {strange[0]!r}; there are {', '.join(sorted(names))}.")
        arrays = {name: np.atleast_1d(np.asarray(value, dtype=np.float64)) for name, value in known.items()}
        lengths = {array.size for array in arrays.values()} - {1}
        if len(lengths) > 1:
            raise ValueError(f"Facts have {' and '.join(map(str, sorted(lengths)))} rows; all need the same number.")
        self.names = frozenset(names)
        self.count = lengths.pop() if lengths else 1
        self._arrays = {
            name: array if array.shape == (self.count,) else np.broadcast_to(array, self.count)
            for name, array in arrays.items()
        }
        self._unknown = np.broadcast_to(np.float64(np.nan), self.count)

    def __getattr__(self, name: str) -> Array:
        if name.startswith("_") or name not in self.names:
            raise AttributeError(f"The rules read {name!r}, which is no fact of this subject.")
        return self._arrays.get(name, self._unknown)

    def row(self, row: int, count: int = 1) -> Columns:
        """One row, repeated `count` times."""
        return Columns(self.names, {name: np.full(count, array[row]) for name, array in self._arrays.items()})

    def replaced(self, changes: Mapping[str, Any]) -> Columns:
        """The same rows with other values of some facts."""
        return Columns(self.names, {**self._arrays, **changes})


def either(first: Array, second: Array) -> Array:
    """The first where it is known, else the second."""
    return np.where(np.isnan(first), second, first)
