"""A recording of any source: named columns over one clock, which come a block of rows at a time."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, NamedTuple, Protocol

import numpy as np

MOST_ROWS = 3_000_000
"""Nine hours at a hundred rows a second."""


def are(count: int, plural: str) -> str:
    """How many there are, as a sentence begins.

    >>> are(1, "rows"), are(2, "rows")
    ('1 row is', '2 rows are')
    """
    return f"{count} {plural.removesuffix('s')} is" if count == 1 else f"{count} {plural} are"


class NotARecording(ValueError):
    """The file cannot be read; the message is a sentence that says what is wrong, and where."""


class Named(NamedTuple):
    """What a file calls a value that has no meaning here: it is kept and drawn under its own name and unit."""

    label: str
    unit: str = ""


class Recording(Protocol):
    """A file of an instrument that is read.

    Columns have one length in each block, NaN where nothing was measured. `time_s` grows and counts from the first
    row; it is missing where a track has no times. `first_at` and `notes` are known once all blocks are read;
    `first_at` is None where the clock has no date. `named` says what the columns are called that have no meaning here.
    """

    first_at: datetime | None
    notes: list[str]
    named: dict[str, Named]

    def blocks(self) -> Iterator[Mapping[str, Any]]:
        """Read the file from the first row to the last. Raises NotARecording, at its end at the latest."""
        ...


@dataclass
class ShortRecording:
    """One that is small enough to be in memory whole."""

    first_at: datetime | None
    columns: dict[str, Any]
    notes: list[str] = field(default_factory=list)
    named: dict[str, Named] = field(default_factory=dict)

    def blocks(self) -> Iterator[Mapping[str, Any]]:
        yield self.columns


def positions(columns: Mapping[str, Any]) -> dict[str, Any] | None:
    """The rows at which a position is known: degrees, and times where the recording has any; None without positions."""
    if not {"lat_deg", "lon_deg"} <= set(columns):
        return None
    read = {name: columns[name] for name in ("time_s", "lat_deg", "lon_deg") if name in columns}
    good = ~(np.isnan(read["lat_deg"]) | np.isnan(read["lon_deg"]))
    return {name: values[good] for name, values in read.items()}
